// Package vitals tells the operator how the program is, on a listener of its
// own that only this machine reaches: /health for a watcher on a timer, and
// /metrics in the Prometheus text format. Nothing in it is about one person,
// and no label holds words that anybody typed.
package vitals

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"turnstone/care"
	"turnstone/store"
)

// A Store is what is asked of one.
type Store interface {
	NextDue(ctx context.Context, lane store.Lane) (time.Time, bool, error)
}

// Vitals counts what is committed and looks at the store when it is asked.
type Vitals struct {
	store    Store
	channel  func() error
	now      func() time.Time
	registry *prometheus.Registry
	lines    *prometheus.CounterVec
	where    *prometheus.CounterVec
	raised   *prometheus.CounterVec

	mu    sync.Mutex
	waits [2]time.Time // since when something of a lane was seen to wait
}

// How the program counts as unwell (common practice, no source): the store
// does not answer within a second, the channel is cut off, or something
// urgent has waited for more than a minute.
const (
	patience = time.Second
	tooLate  = time.Minute
)

// New watches a store and a channel; channel says why people can't be reached,
// or nil.
func New(s Store, channel func() error, now func() time.Time) *Vitals {
	v := &Vitals{store: s, channel: channel, now: now, registry: prometheus.NewRegistry()}
	counter := func(name, help, label string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "turnstone", Name: name, Help: help}, []string{label})
	}
	v.lines = counter("log_lines_total", "Lines of people's logs that were committed, by their type.", "type")
	v.where = counter("dispositions_total", "How often a disposition was reached, by its name.", "disposition")
	v.raised = counter("staff_items_total", "Items raised for staff, by what they are about.", "about")
	v.registry.MustRegister(v.lines, v.where, v.raised, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	for _, lane := range []store.Lane{store.Urgent, store.Routine} {
		v.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Namespace: "turnstone", Name: "late_seconds", Help: "How long the oldest item that is due has waited; -1 while the store can't tell.",
			ConstLabels: prometheus.Labels{"lane": lane.String()},
		}, func() float64 {
			late, err := v.late(context.Background(), lane)
			if err != nil {
				return -1
			}
			return late.Seconds()
		}))
	}
	return v
}

// Committed counts the log lines of one commit.
func (v *Vitals) Committed(_ care.PersonID, lines []care.Line) {
	for _, l := range lines {
		v.lines.WithLabelValues(l.Type).Inc()
		switch l.Type {
		case care.LineDisposition:
			v.where.WithLabelValues(l.Disposition.String()).Inc()
		case care.LineEscalation:
			v.raised.WithLabelValues(l.What).Inc()
		}
	}
}

// late is how long the oldest item of a lane has been due. What is to be said
// at once is due since before everything else; it counts from when it was
// first seen to wait.
func (v *Vitals) late(ctx context.Context, lane store.Lane) (time.Duration, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	due, ok, err := v.store.NextDue(ctx, lane)
	now := v.now()
	v.mu.Lock()
	defer v.mu.Unlock()
	switch {
	case err != nil:
		return 0, err
	case !ok || due.After(now):
		v.waits[lane] = time.Time{}
		return 0, nil
	case v.waits[lane].IsZero():
		v.waits[lane] = now
	}
	if due.Unix() <= 0 {
		due = v.waits[lane]
	}
	return now.Sub(due), nil
}

// A State is what /health answers.
type State struct {
	Well    bool   `json:"well"`
	Store   string `json:"store"`
	Channel string `json:"channel"`
	Urgent  string `json:"urgent"`
}

const fine = "well"

// State looks at everything once.
func (v *Vitals) State(ctx context.Context) State {
	s := State{Store: fine, Channel: fine, Urgent: fine}
	late, err := v.late(ctx, store.Urgent)
	switch {
	case err != nil:
		s.Store, s.Urgent = err.Error(), "not known"
	case late > tooLate:
		s.Urgent = fmt.Sprintf("something urgent has waited for more than %s", tooLate)
	}
	if err := v.channel(); err != nil {
		s.Channel = err.Error()
	}
	s.Well = s.Store == fine && s.Channel == fine && s.Urgent == fine
	return s
}

// Handler answers /health (200 or 503) and /metrics.
func (v *Vitals) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(v.registry, promhttp.HandlerOpts{}))
	mux.HandleFunc("GET /health", func(w http.ResponseWriter, r *http.Request) {
		s := v.State(r.Context())
		w.Header().Set("Content-Type", "application/json")
		if !s.Well {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
		_ = json.NewEncoder(w).Encode(s) // whoever asked has gone
	})
	return mux
}

// Listen opens the listener; an address that others reach is refused.
func Listen(addr string) (net.Listener, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, fmt.Errorf("%q is no address for /health; write it as 127.0.0.1:9464", addr)
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		return nil, fmt.Errorf("%q could be reached by others; /health and /metrics listen on this machine only, such as 127.0.0.1:9464", addr)
	}
	return net.Listen("tcp", addr)
}

// Serve answers until ctx is done.
func (v *Vitals) Serve(ctx context.Context, ln net.Listener) error {
	srv := &http.Server{Handler: v.Handler(), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 10 * time.Second}
	stop := context.AfterFunc(ctx, func() { _ = srv.Close() }) // nobody is told anything through it
	defer stop()
	if err := srv.Serve(ln); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}
