// Package plot draws the last hours of one probe as a small PNG for a mail: the
// readings, the setpoint they are judged by, and when the alarm was raised. It
// is made to be read on a telephone: few marks, large letters, and words beside
// each line, since nothing may depend on colour. It reads no record and no
// clock.
//
// It draws by itself with golang.org/x/image. A general plotting library,
// gonum.org/v1/plot, made the program larger by 8.3 MB of 36.
package plot

import (
	"cmp"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"

	"weirkeeper/rules/measure"
)

// Series is what is drawn.
type Series struct {
	// Title says where and what: "Trough 3: flow".
	Title string
	// Unit is the unit of the scale, named after the title; values are in its
	// base unit.
	Unit measure.Unit
	// From and To are the ends of the time axis, Location its zone; nil is UTC.
	From, To time.Time
	Location *time.Location
	// Points in order of time. Those outside From and To, or that are no
	// numbers, are left out.
	Points []Point
	// Gap is the longest time between two readings that are joined by a line; 0
	// joins all.
	Gap time.Duration
	// Setpoints are lines across.
	Setpoints []float64
	// Raised is when the alarm was raised; zero marks nothing.
	Raised time.Time
}

// Point is one reading.
type Point struct {
	At    time.Time
	Value float64
}

// ErrNothing: no reading lies within the time that is drawn.
var ErrNothing = errors.New("plot: there is nothing to draw")

// Where things are, in pixels.
const (
	width, height         = 640, 300
	left, right           = 74, 620 // ends of the time axis
	top, bottom           = 66, 256 // ends of the scale
	titleSize, letterSize = 24, 20
	titleY, timesY        = 28, 284
	lineWidth             = 3
	mostTicks             = 7 // hours named on the time axis, at most
)

var (
	paper    = color.RGBA{0xff, 0xff, 0xff, 0xff}
	ink      = color.RGBA{0x22, 0x22, 0x22, 0xff}
	grid     = color.RGBA{0xdd, 0xdd, 0xdd, 0xff}
	water    = color.RGBA{0x14, 0x50, 0x96, 0xff}
	setpoint = color.RGBA{0xa8, 0x32, 0x10, 0xff}
)

var fonts = sync.OnceValues(func() (fs [2]*opentype.Font, err error) {
	for i, ttf := range [][]byte{goregular.TTF, gobold.TTF} {
		if fs[i], err = opentype.Parse(ttf); err != nil {
			return fs, fmt.Errorf("plot: built-in font: %w", err)
		}
	}
	return fs, nil
})

// canvas is the picture under work.
type canvas struct {
	*image.RGBA
	letters, title font.Face
	s              Series
	low, high      float64 // of the scale, in s.Unit
	step           float64 // of the scale
}

// PNG draws s. Errors: ErrNothing, or what the writer says.
func PNG(w io.Writer, s Series) error {
	if s.Location == nil {
		s.Location = time.UTC
	}
	var points []Point
	for _, p := range s.Points {
		if v := s.Unit.FromBase(p.Value); !p.At.Before(s.From) && !p.At.After(s.To) && !math.IsNaN(v) && !math.IsInf(v, 0) {
			points = append(points, Point{p.At, v})
		}
	}
	if len(points) == 0 || !s.From.Before(s.To) {
		return ErrNothing
	}
	s.Points = points
	fs, err := fonts()
	if err != nil {
		return err
	}
	c := &canvas{RGBA: image.NewRGBA(image.Rect(0, 0, width, height)), s: s}
	for _, f := range []struct {
		face *font.Face
		font *opentype.Font
		size float64
	}{{&c.letters, fs[0], letterSize}, {&c.title, fs[1], titleSize}} {
		if *f.face, err = opentype.NewFace(f.font, &opentype.FaceOptions{Size: f.size, DPI: 72, Hinting: font.HintingFull}); err != nil {
			return fmt.Errorf("plot: built-in font: %w", err)
		}
	}
	draw.Draw(c.RGBA, c.Bounds(), image.NewUniform(paper), image.Point{}, draw.Src)
	c.scale()
	c.axes()
	unit := ", " + s.Unit.String()
	c.words(c.title, c.fit(c.title, s.Title, width-24-c.long(c.title, unit))+unit, 12, titleY, ink)
	c.readings()
	c.setpoints()
	c.raised()
	if err := png.Encode(w, c.RGBA); err != nil {
		return fmt.Errorf("plot: write: %w", err)
	}
	return nil
}

// scale chooses the scale's ends and step.
func (c *canvas) scale() {
	c.low, c.high = math.Inf(1), math.Inf(-1)
	for _, p := range c.s.Points {
		c.low, c.high = min(c.low, p.Value), max(c.high, p.Value)
	}
	for _, b := range c.s.Setpoints {
		v := c.s.Unit.FromBase(b)
		c.low, c.high = min(c.low, v), max(c.high, v)
	}
	// What does not move is drawn as such, and not as noise.
	least := max(1, math.Abs(c.high)/20)
	if spread := c.high - c.low; spread < least {
		c.low, c.high = c.low-(least-spread)/2, c.high+(least-spread)/2
	}
	c.step = math.Pow(10, math.Floor(math.Log10((c.high-c.low)/4.5)))
	for _, times := range []float64{1, 2, 5, 10} {
		if times*c.step >= (c.high-c.low)/4.5 {
			c.step *= times
			break
		}
	}
	margin := (c.high - c.low) / 16
	c.low, c.high = c.low-margin, c.high+margin
}

func (c *canvas) x(t time.Time) float32 {
	return left + (right-left)*float32(float64(t.Sub(c.s.From))/float64(c.s.To.Sub(c.s.From)))
}

func (c *canvas) y(v float64) float32 {
	return float32(bottom - (bottom-top)*(v-c.low)/(c.high-c.low))
}

// axes draws the grid and names it.
func (c *canvas) axes() {
	decimals := max(0, int(-math.Floor(math.Log10(c.step)*(1+1e-12))))
	for n := math.Ceil(c.low / c.step); n*c.step <= c.high; n++ {
		y := int(c.y(n * c.step))
		c.fill(image.Rect(left, y, right, y+1), grid)
		label := strconv.FormatFloat(n*c.step, 'f', decimals, 64)
		if strings.Trim(label, "-0.") == "" {
			label = strings.TrimPrefix(label, "-")
		}
		c.words(c.letters, label, left-8-c.long(c.letters, label), y+7, ink)
	}
	step := time.Hour
	for c.s.To.Sub(c.s.From) > mostTicks*step {
		step *= 2
	}
	f := c.s.From.In(c.s.Location)
	for t := time.Date(f.Year(), f.Month(), f.Day(), f.Hour(), 0, 0, 0, c.s.Location); !t.After(c.s.To); t = t.Add(step) {
		if t.Before(c.s.From) {
			continue
		}
		x := int(c.x(t))
		c.fill(image.Rect(x, top, x+1, bottom+6), grid)
		label := t.In(c.s.Location).Format("15:04")
		w := c.long(c.letters, label)
		c.words(c.letters, label, min(x-w/2, width-4-w), timesY, ink)
	}
	c.fill(image.Rect(left, bottom, right, bottom+2), ink)
}

// readings draws the line, broken where nothing came.
func (c *canvas) readings() {
	z := vector.NewRasterizer(width, height)
	var begun int
	for i := range c.s.Points {
		if last := i+1 == len(c.s.Points); last || c.s.Gap > 0 && c.s.Points[i+1].At.Sub(c.s.Points[i].At) > c.s.Gap {
			c.line(z, c.s.Points[begun:i+1])
			begun = i + 1
		}
	}
	z.Draw(c.RGBA, c.Bounds(), image.NewUniform(water), image.Point{})
}

// line adds readings that are joined. In each column of pixels the first, the
// lowest, the highest and the last are enough.
func (c *canvas) line(z *vector.Rasterizer, points []Point) {
	type xy struct{ x, y float32 }
	var at []xy
	for i := 0; i < len(points); {
		x := c.x(points[i].At)
		first, last, lowest, highest := i, i, i, i
		for ; last+1 < len(points) && math.Floor(float64(c.x(points[last+1].At))) == math.Floor(float64(x)); last++ {
			if v := points[last+1].Value; v < points[lowest].Value {
				lowest = last + 1
			} else if v > points[highest].Value {
				highest = last + 1
			}
		}
		done := -1
		for _, j := range []int{first, min(lowest, highest), max(lowest, highest), last} {
			if j != done {
				at = append(at, xy{c.x(points[j].At), c.y(points[j].Value)})
			}
			done = j
		}
		i = last + 1
	}
	const half = float32(lineWidth) / 2
	if len(at) == 1 { // a reading that stands alone
		const r = half + 1
		polygon(z, at[0].x-r, at[0].y-r, at[0].x+r, at[0].y-r, at[0].x+r, at[0].y+r, at[0].x-r, at[0].y+r)
		return
	}
	for i := range len(at) - 1 {
		p, q := at[i], at[i+1]
		d := float32(math.Hypot(float64(q.x-p.x), float64(q.y-p.y)))
		if d == 0 {
			continue
		}
		// Longer by half its width at both ends, so that corners are closed.
		dx, dy := (q.x-p.x)/d*half, (q.y-p.y)/d*half
		polygon(z, p.x-dx+dy, p.y-dy-dx, q.x+dx+dy, q.y+dy-dx, q.x+dx-dy, q.y+dy+dx, p.x-dx-dy, p.y-dy+dx)
	}
}

func polygon(z *vector.Rasterizer, xy ...float32) {
	z.MoveTo(xy[0], xy[1])
	for i := 2; i < len(xy); i += 2 {
		z.LineTo(xy[i], xy[i+1])
	}
	z.ClosePath()
}

// setpoints draws dashes across and says what they are, where there is room.
func (c *canvas) setpoints() {
	for _, b := range c.s.Setpoints {
		y := int(c.y(c.s.Unit.FromBase(b)))
		for x := left; x < right; x += 14 {
			c.fill(image.Rect(x, y-1, min(x+9, right), y+1), setpoint)
		}
		label := "setpoint " + c.s.Unit.Format(b)
		w := c.long(c.letters, label)
		under, over := y+6+letterSize*4/5, y-7
		room := func(base int) int { return c.covered(image.Rect(left+8, base-letterSize*4/5, left+8+w, base+4)) }
		base := over
		if over-letterSize < top-letterSize/2 || room(under) < room(over) && under < bottom-4 {
			base = under
		}
		c.halo(label, left+8, base, setpoint)
	}
}

// covered counts the pixels of a rectangle that the readings have.
func (c *canvas) covered(r image.Rectangle) int {
	n := 0
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			if c.RGBAAt(x, y) == water {
				n++
			}
		}
	}
	return n
}

// raised marks when the alarm was raised.
func (c *canvas) raised() {
	if c.s.Raised.Before(c.s.From) || c.s.Raised.After(c.s.To) {
		return
	}
	x := int(c.x(c.s.Raised))
	c.fill(image.Rect(x-1, top-8, x+1, bottom), ink)
	label := "raised " + c.s.Raised.In(c.s.Location).Format("15:04")
	w := c.long(c.letters, label)
	c.words(c.letters, label, max(left, min(x-w/2, right-w)), top-13, ink)
}

func (c *canvas) fill(r image.Rectangle, k color.RGBA) {
	draw.Draw(c.RGBA, r, image.NewUniform(k), image.Point{}, draw.Src)
}

// halo writes words on a ground of paper, so that lines do not cross them.
func (c *canvas) halo(s string, x, y int, k color.RGBA) {
	for dy := -2; dy <= 2; dy++ {
		for dx := -2; dx <= 2; dx++ {
			c.words(c.letters, s, x+dx, y+dy, paper)
		}
	}
	c.words(c.letters, s, x, y, k)
}

func (c *canvas) words(f font.Face, s string, x, y int, k color.RGBA) {
	(&font.Drawer{Dst: c, Src: image.NewUniform(k), Face: f, Dot: fixed.P(x, y)}).DrawString(s)
}

func (c *canvas) long(f font.Face, s string) int { return font.MeasureString(f, s).Ceil() }

// fit shortens s to a width.
func (c *canvas) fit(f font.Face, s string, w int) string {
	short := []rune(s)
	for c.long(f, s) > w {
		short = short[:len(short)-1]
		s = cmp.Or(strings.TrimSpace(string(short)), ".") + "…"
	}
	return s
}
