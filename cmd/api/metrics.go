package main

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"

	"firstout/internal/events/sealer"
)

// connections tells Prometheus of the connections to the database that answer questions; the one that writes is apart.
type connections struct{ pool *pgxpool.Pool }

var (
	connectionsNow   = prometheus.NewDesc("firstout_database_connections", "Connections for questions, by what they do.", []string{"state"}, nil)
	connectionsMost  = prometheus.NewDesc("firstout_database_connections_max", "Connections for questions that there may be.", nil, nil)
	connectionsTaken = prometheus.NewDesc("firstout_database_acquires_total", "Connections taken for a question.", nil, nil)
	connectionsWait  = prometheus.NewDesc("firstout_database_acquire_waits_total", "Connections taken that had to be waited for.", nil, nil)
	connectionsTook  = prometheus.NewDesc("firstout_database_acquire_seconds_total", "Time spent in taking connections.", nil, nil)
)

// Describe says what Collect gives.
func (connections) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{connectionsNow, connectionsMost, connectionsTaken, connectionsWait, connectionsTook} {
		to <- d
	}
}

// Collect looks at the pool.
func (c connections) Collect(to chan<- prometheus.Metric) {
	s := c.pool.Stat()
	gauge := func(d *prometheus.Desc, value int32, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, float64(value), labels...)
	}
	counter := func(d *prometheus.Desc, value float64) {
		to <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, value)
	}
	gauge(connectionsNow, s.AcquiredConns(), "in_use")
	gauge(connectionsNow, s.IdleConns(), "idle")
	gauge(connectionsNow, s.ConstructingConns(), "being_made")
	gauge(connectionsMost, s.MaxConns())
	counter(connectionsTaken, float64(s.AcquireCount()))
	counter(connectionsWait, float64(s.EmptyAcquireCount()))
	counter(connectionsTook, s.AcquireDuration().Seconds())
}

// sealLag tells Prometheus how far the seal is behind the log, whichever process seals.
type sealLag struct{ pool *pgxpool.Pool }

var (
	sealedPosition = prometheus.NewDesc("firstout_sealed_position", "Position of the newest event that a signed checkpoint vouches for.", nil, nil)
	sealLagEvents  = prometheus.NewDesc("firstout_seal_lag_events", "Events that no checkpoint vouches for yet.", nil, nil)
	sealLagSeconds = prometheus.NewDesc("firstout_seal_lag_seconds", "Age of the oldest event that no checkpoint vouches for, by the clock on the wall; 0 if there is none.", nil, nil)
)

// sealWait is what the database gets to tell it: a scrape waits no longer.
const sealWait = 2 * time.Second

// Describe says what Collect gives.
func (sealLag) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{sealedPosition, sealLagEvents, sealLagSeconds} {
		to <- d
	}
}

// Collect asks the database. Without it there is nothing to tell.
func (s sealLag) Collect(to chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), sealWait)
	defer cancel()
	lag, err := sealer.ReadLag(ctx, s.pool)
	if err != nil {
		return
	}
	behind := 0.0
	if lag.Since != nil {
		behind = max(0, time.Since(*lag.Since).Seconds())
	}
	to <- prometheus.MustNewConstMetric(sealedPosition, prometheus.CounterValue, float64(lag.Sealed))
	to <- prometheus.MustNewConstMetric(sealLagEvents, prometheus.GaugeValue, float64(lag.Events()))
	to <- prometheus.MustNewConstMetric(sealLagSeconds, prometheus.GaugeValue, behind)
}
