package stock

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"time"

	"ringstock/grading"
	"ringstock/spectrum/measure"
)

// The benchmarks ask how a stock of a lifetime feels: 100 000 sticks with five tests
// and five weighings each. RINGSTOCK_BENCH_STICKS makes it smaller.
//
//	go test -run '^$' -bench . -benchtime 5x -timeout 60m ./grading/stock

var lifetimeDir = sync.OnceValues(func() (string, error) {
	sticks := 100_000
	if n, err := strconv.Atoi(os.Getenv("RINGSTOCK_BENCH_STICKS")); err == nil {
		sticks = n
	}
	dir, err := os.MkdirTemp("", "ringstock-bench-*")
	if err != nil {
		return "", err
	}
	lifetimeMade = dir
	return dir, writeLifetime(dir, sticks)
})

var lifetimeMade string

// removeLifetime is called when all benchmarks are done.
func removeLifetime() {
	if lifetimeMade != "" {
		os.RemoveAll(lifetimeMade)
	}
}

func writeLifetime(dir string, sticks int) error {
	s, err := openReal(dir, nil)
	if err != nil {
		return err
	}
	defer s.Close()
	r := rand.New(rand.NewPCG(1, 1))
	const atOnce = 2000
	for from := 0; from < sticks; from += atOnce {
		err := s.write(context.Background(), "bench", func(t *tx) error {
			for i := from; i < min(sticks, from+atOnce); i++ {
				if err := writeLife(t, r, i); err != nil {
					return err
				}
			}
			clear(t.dirty) // the derived rows are written along
			return nil
		})
		if err != nil {
			return err
		}
	}
	_, err = s.db.Exec(`PRAGMA wal_checkpoint(TRUNCATE)`)
	return err
}

func writeLife(t *tx, r *rand.Rand, i int) error {
	b := inventedBlank(r, i, "bench", fmt.Sprintf("%d.wav", i))
	b.Ring.Partials = nil
	for order := range 8 {
		p := b.Ring.Fundamental
		p.Order = order + 1
		p.TauS, p.T60S, p.LossTangent = measure.Of(0.5, 0.01), measure.Of(3.4, 0.07), measure.Of(0.005, 0.0001)
		b.Ring.Partials = append(b.Ring.Partials, p)
	}
	raw, err := json.Marshal(b)
	if err != nil {
		return err
	}
	var read grading.Blank
	if err := json.Unmarshal(raw, &read); err != nil {
		return err
	}
	var h History
	id := idOf("bench", fmt.Sprint(i))
	day := func(n int) Date { return DateOf(time.Date(2026, 3, 2+n, 0, 0, 0, 0, time.UTC)) }
	event := func(e Event) error {
		e.Blank, e.RecordedAt, e.Rank = id, t.tick(), 1
		if e.ID = e.ownID(); e.Kind == Sold {
			e.ID = idAt(e.ID, e.RecordedAt, e.Rank)
		}
		h.Events = append(h.Events, e)
		_, err := t.insertEvent(e)
		return err
	}
	if err := event(Event{Kind: Bought, Date: day(0), Place: fmt.Sprintf("rack %d", i%50),
		Fields: map[string]string{"blank": fmt.Sprint(i), "delivery": fmt.Sprintf("delivery %d", i/300), "lot": fmt.Sprintf("L%d", i/3000), "species": b.Row.Species, "price": "60", "currency": "EUR"}}); err != nil {
		return err
	}
	for year := range 5 {
		m := Reading{Blank: id, Date: day(365 * year), RecordedAt: t.tick(), Rank: 1, Quantity: massQuantity, Value: 140 + r.NormFloat64(), U: 0.1}
		m.ID = m.contentID()
		h.Readings = append(h.Readings, m)
		if _, err := t.insertReading(m); err != nil {
			return err
		}
		test := Test{Blank: id, Date: day(365 * year), RecordedAt: t.tick(), Rank: 1, Method: "invented/1", Profile: "violin"}
		test.take(read)
		test.ID = test.ownID(read.Row, raw)
		h.Tests = append(h.Tests, test)
		if _, err := t.insertTest(test, raw); err != nil {
			return err
		}
		if err := event(Event{Kind: Tested, Date: day(365 * year), Reference: test.ID}); err != nil {
			return err
		}
	}
	if i%10 == 0 {
		if err := event(Event{Kind: Sold, Date: day(2000), Party: "an invented customer"}); err != nil {
			return err
		}
	}
	h.sort()
	return t.putRow(h.row(t.today))
}

func lifetime(b *testing.B) *Store {
	b.Helper()
	dir, err := lifetimeDir()
	if err != nil {
		b.Fatal(err)
	}
	s, err := openReal(dir, nil)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	return s
}

// BenchmarkFileSize measures no time, only the size of the database.
func BenchmarkFileSize(b *testing.B) {
	info, err := os.Stat(filepath.Join(lifetime(b).Dir(), databaseName))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(info.Size())/1e6, "MB")
}

func BenchmarkOpen(b *testing.B) {
	dir := lifetime(b).Dir()
	for b.Loop() {
		s, err := openReal(dir, nil)
		if err != nil {
			b.Fatal(err)
		}
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFilteredList(b *testing.B) {
	s := lifetime(b)
	var filters []Filter
	for _, c := range []string{"density>1080", "q>=220", "state=in stock", "species~paubrasilia", "score>60"} {
		f, err := ParseFilter(c)
		if err != nil {
			b.Fatal(err)
		}
		filters = append(filters, f)
	}
	n := 0
	for b.Loop() {
		list, err := s.List(b.Context(), filters, []string{"-score"})
		if err != nil {
			b.Fatal(err)
		}
		n = len(list)
	}
	b.ReportMetric(float64(n), "sticks")
}

func BenchmarkShow(b *testing.B) {
	s := lifetime(b)
	id, err := s.Find(b.Context(), "777")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := s.Show(b.Context(), id); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAdd300(b *testing.B) {
	s := lifetime(b)
	for n := 0; b.Loop(); n++ {
		b.StopTimer()
		d := invented(b, fmt.Sprintf("fresh %d %d", time.Now().UnixNano(), n), 1, 300)
		b.StartTimer()
		add(b, s, d)
	}
}

func BenchmarkCheckWithoutHashes(b *testing.B) {
	s := lifetime(b)
	for b.Loop() {
		h, err := s.Check(b.Context(), false)
		if err != nil || !h.OK {
			b.Fatal(h.Problems, err)
		}
	}
}

func BenchmarkStatement(b *testing.B) {
	s := lifetime(b)
	for b.Loop() {
		if st, err := s.Statement(b.Context(), "2031-01-01"); err != nil || !st.Balanced {
			b.Fatal(err)
		}
	}
}

func BenchmarkDue(b *testing.B) {
	s := lifetime(b)
	for b.Loop() {
		if _, err := s.Due(b.Context(), "2032-01-01"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkLabels(b *testing.B) {
	s := lifetime(b)
	for b.Loop() {
		list, err := s.List(b.Context(), nil, nil)
		if err == nil {
			err = Labels(io.Discard, list, A4Labels)
		}
		if err != nil {
			b.Fatal(err)
		}
	}
}
