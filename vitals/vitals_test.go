package vitals

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"turnstone/care"
	"turnstone/store"
)

var monday = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)

// A dueStore says what is due next.
type dueStore struct {
	at  [2]time.Time
	err error
}

func (s *dueStore) NextDue(_ context.Context, lane store.Lane) (time.Time, bool, error) {
	return s.at[lane], !s.at[lane].IsZero(), s.err
}

func TestHAZ07_HealthSaysWhatIsWrong(t *testing.T) {
	s, now := &dueStore{}, monday
	var cut error
	v := New(s, func() error { return cut }, func() time.Time { return now })
	for _, c := range []struct {
		name string
		set  func()
		want State
	}{
		{"nothing is due", func() {}, State{true, fine, fine, fine}},
		{"due later", func() { s.at[store.Urgent] = monday.Add(time.Hour) }, State{true, fine, fine, fine}},
		{"due for half a minute", func() { s.at[store.Urgent] = monday.Add(-30 * time.Second) }, State{true, fine, fine, fine}},
		{"due for two minutes", func() { s.at[store.Urgent] = monday.Add(-2 * time.Minute) }, State{false, fine, fine, "something urgent has waited for more than 1m0s"}},
		{"done", func() { s.at[store.Urgent] = time.Time{} }, State{true, fine, fine, fine}},
		{"to be said at once, seen first", func() { s.at[store.Urgent] = time.Unix(0, 0) }, State{true, fine, fine, fine}},
		{"to be said at once, still there", func() { now = now.Add(90 * time.Second) }, State{false, fine, fine, "something urgent has waited for more than 1m0s"}},
		{"routine may be late", func() { s.at = [2]time.Time{store.Routine: monday.Add(-time.Hour)} }, State{true, fine, fine, fine}},
		{"cut off", func() { cut = errors.New("the platform does not answer") }, State{false, fine, "the platform does not answer", fine}},
		{"no store", func() { s.err, cut = store.ErrDown, nil }, State{false, store.ErrDown.Error(), fine, "not known"}},
	} {
		c.set()
		if got := v.State(t.Context()); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

// The metrics read as the text format does (reference parser: the expfmt
// package of prometheus/common) and hold no words that anybody typed.
func TestHAZ26_MetricsHoldNoWords(t *testing.T) {
	v := New(&dueStore{}, func() error { return nil }, time.Now)
	v.Committed("person-canary", []care.Line{
		{Type: care.LineAnswer, Fact: "fact-canary", Value: "value-canary"},
		{Type: care.LineDisposition, Disposition: care.SameDay, Because: []string{"because-canary"}},
		{Type: care.LineEscalation, ID: "id-canary", What: care.AboutDisposition, By: "by-canary"},
	})
	ln, err := Listen("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- v.Serve(ctx, ln) }()
	text := get(t, "http://"+ln.Addr().String()+"/metrics", http.StatusOK)
	if strings.Contains(text, "canary") {
		t.Errorf("the metrics hold words:\n%s", text)
	}
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err := parser.TextToMetricFamilies(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"turnstone_log_lines_total", "turnstone_dispositions_total", "turnstone_staff_items_total", "turnstone_late_seconds"} {
		if families[name] == nil {
			t.Errorf("no metric is called %s", name)
		}
	}
	if got := families["turnstone_dispositions_total"].GetMetric()[0]; got.GetLabel()[0].GetValue() != "same_day" || got.GetCounter().GetValue() != 1 {
		t.Errorf("the disposition is counted as %v", got)
	}
	if got := get(t, "http://"+ln.Addr().String()+"/health", http.StatusOK); !strings.Contains(got, `"well":true`) {
		t.Errorf("/health says %s", got)
	}
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestHealthUnwellIs503(t *testing.T) {
	v := New(&dueStore{err: store.ErrDown}, func() error { return nil }, time.Now)
	ln, err := Listen("[::1]:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- v.Serve(ctx, ln) }()
	get(t, "http://"+ln.Addr().String()+"/health", http.StatusServiceUnavailable)
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestHAZ26_ListensOnThisMachineOnly(t *testing.T) {
	for _, addr := range []string{"0.0.0.0:9464", ":9464", "192.0.2.1:9464", "localhost", "example.org:80", "[::]:1"} {
		if ln, err := Listen(addr); err == nil {
			t.Errorf("%s is taken", addr)
			if err := ln.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}

func get(t *testing.T, url string, want int) string {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != want {
		t.Fatalf("%s answers %d (%v), want %d: %s", url, resp.StatusCode, err, want, body)
	}
	return string(body)
}
