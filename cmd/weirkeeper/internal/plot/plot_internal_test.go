package plot

import (
	"bytes"
	"errors"
	"flag"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"weirkeeper/rules/measure"
)

var look = flag.String("look", "", "a folder to put the pictures into, for a person to look at")

var night = time.Date(2026, 10, 15, 3, 12, 0, 0, time.UTC)

func unit(t testing.TB, name string) measure.Unit {
	t.Helper()
	a, err := measure.Parse("1 " + name)
	if err != nil {
		t.Fatal(err)
	}
	return a.Unit
}

// falling is a flow of 31 L/min that falls from 02:40 on, with an hour missing.
func falling(t *testing.T) Series {
	t.Helper()
	s := Series{
		Title: "Trough 3: flow", Unit: unit(t, "L/min"), From: night.Add(-6 * time.Hour), To: night, Gap: 5 * time.Minute,
		Setpoints: []float64{28}, Raised: night.Add(-8 * time.Minute),
	}
	for i := range 360 {
		at := s.From.Add(time.Duration(i) * time.Minute)
		v := 31 + 0.6*math.Sin(float64(i)*1.7) + 0.4*math.Sin(float64(i)/9)
		if i > 330 {
			v -= float64(i-330) * 0.66
		}
		if i < 120 || i > 180 {
			s.Points = append(s.Points, Point{at, v})
		}
	}
	return s
}

func drawn(t *testing.T, name string, s Series) *image.RGBA {
	t.Helper()
	var b bytes.Buffer
	if err := PNG(&b, s); err != nil {
		t.Fatal(err)
	}
	if b.Len() > 40<<10 {
		t.Errorf("the picture has %d bytes, want at most 40 kB: it goes over a slow line", b.Len())
	}
	if *look != "" {
		if err := os.WriteFile(filepath.Join(*look, name+".png"), b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	m, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	out := image.NewRGBA(m.Bounds())
	draw.Draw(out, out.Bounds(), m, image.Point{}, draw.Src)
	return out
}

// span gives the rows in which a column has a colour, -1 for none.
func span(m *image.RGBA, x int, k color.RGBA) (first, last int) {
	first, last = -1, -1
	for y := top; y < bottom; y++ {
		if m.RGBAAt(x, y) == k {
			if first < 0 {
				first = y
			}
			last = y
		}
	}
	return first, last
}

func TestGap(t *testing.T) {
	s := falling(t)
	m := drawn(t, "falling", s)
	column := func(i int) int { return left + (right-left)*i/360 }
	for _, tt := range []struct {
		minute int
		line   bool
	}{{60, true}, {110, true}, {125, false}, {150, false}, {175, false}, {190, true}, {300, true}, {358, true}} {
		first, _ := span(m, column(tt.minute), water)
		if (first >= 0) != tt.line {
			t.Errorf("minute %d: a line %v, want %v", tt.minute, first >= 0, tt.line)
		}
	}
	s.Gap = 0
	if first, _ := span(drawn(t, "joined", s), column(150), water); first < 0 {
		t.Error("without a longest gap the line is broken")
	}
	lone := s
	lone.Points = []Point{{night.Add(-time.Hour), 30}}
	if first, _ := span(drawn(t, "lone", lone), column(300), water); first < 0 {
		t.Error("a reading that stands alone is not drawn")
	}
}

// A higher value is drawn higher, and where the setpoint is, the dashes are.
func TestHeights(t *testing.T) {
	s := falling(t)
	s.Points = nil
	for i := range 361 {
		v := 10.0
		if i > 180 {
			v = 50
		}
		s.Points = append(s.Points, Point{s.From.Add(time.Duration(i) * time.Minute), v})
	}
	s.Setpoints = []float64{30}
	m := drawn(t, "step", s)
	low, _ := span(m, left+100, water)
	high, _ := span(m, right-100, water)
	line, _ := span(m, right-100, setpoint)
	for x := right - 100; line < 0; x++ { // between two dashes
		line, _ = span(m, x, setpoint)
	}
	if math.Abs(float64(low+high)/2-float64(line)) > 2 || low-high < (bottom-top)*3/4 {
		t.Errorf("10 is at row %d, 50 at %d, the setpoint 30 at %d; want it in the middle of a tall step", low, high, line)
	}
	if first, last := span(m, left+(right-left)*(360-8)/360, ink); first < 0 || last-first < (bottom-top)/2 {
		t.Error("the raise is not marked")
	}
	// In another unit it is the same picture but for the words.
	s.Unit = unit(t, "gpm")
	if again, _ := span(drawn(t, "gpm", s), left+100, water); again != low {
		t.Errorf("in gpm the low part is at row %d, want %d", again, low)
	}
}

// A lone dip among readings as dense as pixels is not lost.
func TestDense(t *testing.T) {
	s := falling(t)
	s.Points, s.Setpoints = nil, nil
	for i := range 6 * 3600 {
		v := 30.0
		if i == 10003 {
			v = 3
		}
		s.Points = append(s.Points, Point{s.From.Add(time.Duration(i) * time.Second), v})
	}
	m := drawn(t, "dense", s)
	lowest := 0
	for x := left; x < right; x++ {
		_, last := span(m, x, water)
		lowest = max(lowest, last)
	}
	if lowest < bottom-30 {
		t.Errorf("the line goes down to row %d, want a dip to about %d", lowest, bottom-12)
	}
}

func TestOdd(t *testing.T) {
	s := falling(t)
	for name, change := range map[string]func(*Series){
		"nothing":  func(s *Series) { s.Points = nil },
		"too old":  func(s *Series) { s.Points = []Point{{s.From.Add(-time.Minute), 3}} },
		"no time":  func(s *Series) { s.To = s.From },
		"no value": func(s *Series) { s.Points = []Point{{night, math.NaN()}, {night, math.Inf(1)}} },
	} {
		odd := s
		change(&odd)
		var b bytes.Buffer
		if err := PNG(&b, odd); !errors.Is(err, ErrNothing) || b.Len() > 0 {
			t.Errorf("%s: %v and %d bytes, want %v", name, err, b.Len(), ErrNothing)
		}
	}
	for name, change := range map[string]func(*Series){
		"still": func(s *Series) { s.Points = []Point{{s.From, 0}, {s.To, 0}}; s.Setpoints = nil },
		"huge":  func(s *Series) { s.Points = []Point{{s.From, -1e300}, {s.To, 1e300}} },
		"long title": func(s *Series) {
			s.Title = "Raceway 2, the deep trough nearest to the head box: temperature of the water"
		},
		"below zero": func(s *Series) { s.Points = []Point{{s.From, -1}, {s.To, 1}}; s.Setpoints = []float64{0.2} },
		"half zone":  func(s *Series) { s.Location = time.FixedZone("", 5*3600+1800) },
		"two days":   func(s *Series) { s.From = s.To.Add(-48 * time.Hour) },
		"degrees": func(s *Series) {
			s.Unit, s.Title, s.Setpoints = unit(t, "degF"), "Stack 1: temperature", []float64{8, 12}
			for i := range s.Points {
				s.Points[i].Value /= 3
			}
		},
	} {
		odd := s
		odd.Points = append([]Point(nil), s.Points...)
		change(&odd)
		drawn(t, name, odd)
	}
}

func BenchmarkPNG(b *testing.B) {
	s := Series{Title: "Trough 3: flow", Unit: unit(b, "L/min"), From: night.Add(-6 * time.Hour), To: night, Setpoints: []float64{28}, Raised: night}
	for i := range 360 {
		s.Points = append(s.Points, Point{s.From.Add(time.Duration(i) * time.Minute), 31 + math.Sin(float64(i)*1.7)})
	}
	for b.Loop() {
		if err := PNG(io.Discard, s); err != nil {
			b.Fatal(err)
		}
	}
}
