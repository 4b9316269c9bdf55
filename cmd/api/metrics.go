package main

import (
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"
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
