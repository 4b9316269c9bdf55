package eventlog

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

const (
	// connectWait is what a connection may take from its first packet to the end of logging in.
	connectWait = 2 * time.Second
	// pingWait is what a connection that has stood idle for a second may take to show that it lives.
	pingWait = time.Second
	// healthEvery is how often idle connections are looked at, youngLife and idleLife when they are given up: a
	// connection that nobody renews keeps what its backend has cached for ever, and finds no other server by the name.
	healthEvery = 15 * time.Second
	youngLife   = 30 * time.Minute
	lifeJitter  = 5 * time.Minute
	idleLife    = 5 * time.Minute
)

// keepAlive finds out within half a minute that the other end of a connection at rest is gone.
var keepAlive = net.KeepAliveConfig{Enable: true, Idle: 15 * time.Second, Interval: 5 * time.Second, Count: 3}

// OpenPool opens a pool for questions. The server ends a statement that takes longer than statement, and a wait for a
// lock, or a transaction that stands still, after Patience; whoever asks sets a deadline of its own that is longer, so
// that only a server that is not heard any more is waited for until then. Connections are opened when they are needed.
func OpenPool(ctx context.Context, address string, connections int32, statement time.Duration) (*pgxpool.Pool, error) {
	config, err := pgxpool.ParseConfig(address)
	if err != nil {
		return nil, fmt.Errorf("the database's address: %w", err)
	}
	config.MaxConns = max(config.MaxConns, connections)
	config.ConnConfig.ConnectTimeout = connectWait
	config.ConnConfig.DialFunc = (&net.Dialer{KeepAliveConfig: keepAlive}).DialContext
	config.PingTimeout, config.HealthCheckPeriod = pingWait, healthEvery
	config.MaxConnLifetime, config.MaxConnLifetimeJitter, config.MaxConnIdleTime = youngLife, lifeJitter, idleLife
	parameters := config.ConnConfig.RuntimeParams
	parameters["jit"] = "off" // short queries: compiling one costs more than it saves
	parameters["statement_timeout"] = milliseconds(statement)
	parameters["lock_timeout"] = milliseconds(min(statement, Patience))
	parameters["idle_in_transaction_session_timeout"] = milliseconds(min(statement, Patience))
	if parameters["application_name"] == "" {
		parameters["application_name"] = "firstout"
	}
	g := &generations{}
	config.AfterConnect, config.ConnConfig.Tracer = g.born, g
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("connect to the database: %w", err)
	}
	g.pool.Store(pool)
	return pool, nil
}

// generations gives up all connections of a pool once one of them has ended while it was in use: the others end at the
// same server, and each would cost another question its answer, or its whole deadline where the network drops packets
// in silence. Those opened since are another generation and stay.
type generations struct {
	pool atomic.Pointer[pgxpool.Pool]
	now  atomic.Int64
}

const generation = "generation"

func (g *generations) born(_ context.Context, conn *pgx.Conn) error {
	conn.PgConn().CustomData()[generation] = g.now.Load()
	return nil
}

// ended looks at a conversation that is over. A connection that was closed because its caller left says nothing.
func (g *generations) ended(ctx context.Context, conn *pgx.Conn, err error) {
	pool := g.pool.Load()
	if err == nil || pool == nil || !conn.IsClosed() || errors.Is(ctx.Err(), context.Canceled) {
		return
	}
	born, _ := conn.PgConn().CustomData()[generation].(int64)
	if g.now.CompareAndSwap(born, born+1) {
		pool.Reset()
	}
}

// TraceQueryStart is the beginning of a conversation.
func (g *generations) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	return ctx
}

// TraceQueryEnd is its end.
func (g *generations) TraceQueryEnd(ctx context.Context, conn *pgx.Conn, data pgx.TraceQueryEndData) {
	g.ended(ctx, conn, data.Err)
}

// TraceBatchStart is the beginning of one of several statements.
func (g *generations) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return ctx
}

// TraceBatchQuery is one of them.
func (g *generations) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

// TraceBatchEnd is its end.
func (g *generations) TraceBatchEnd(ctx context.Context, conn *pgx.Conn, data pgx.TraceBatchEndData) {
	g.ended(ctx, conn, data.Err)
}
