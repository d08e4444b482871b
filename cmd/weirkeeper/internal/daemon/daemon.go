package daemon

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"path/filepath"
	"slices"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/api"
	"weirkeeper/cmd/weirkeeper/internal/clock"
	pages "weirkeeper/cmd/weirkeeper/internal/page"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/config"
	"weirkeeper/ingest"
	"weirkeeper/ingest/broker"
	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/mqtt"
	"weirkeeper/ingest/series"
	"weirkeeper/notify"
	"weirkeeper/notify/sms/modem"
	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot"
)

// Options are what a Daemon works with; Synced and TickEvery have defaults, the
// others are needed.
type Options struct {
	Config   *config.Config
	Program  *lang.Program
	Clock    clock.Clock
	Log      *slog.Logger
	Getenv   func(string) string
	ReadFile func(string) ([]byte, error)
	// Synced says whether the system vouches for the clock; nil asks the
	// kernel.
	Synced func() bool
	// LoadRules reads the rules files anew for Reload; its error holds every
	// fault. nil: there is no reload.
	LoadRules func() (*lang.Program, error)
	// OpenPort opens the modem's serial port; nil opens the device.
	OpenPort func(device string, baud int) func(context.Context) (modem.Port, error)
	// TickEvery is how often silence, chores and delays are judged, by
	// Clock; 0 means every second.
	TickEvery time.Duration
}

// LedgerFile is the name of the ledger in the data folder.
const LedgerFile = "ledger.db"

// Daemon watches one site.
type Daemon struct {
	opt      Options
	lock     io.Closer // held while the record is ours
	ledger   *ledger.Ledger
	history  *series.Store
	damage   atomic.Pointer[partNews]
	keeper   *keeper
	registry *prometheus.Registry
	broker   *broker.Broker // nil with an external one
	client   mqtt.Options
	ways     map[callout.Way]*way
	sender   *notify.Sender // nil when there is no way to tell anybody
	server   *http.Server
	listener net.Listener
	tick     clock.Ticker
	linkUp   atomic.Bool
	words    *mqtt.Words
	outside  outside
	beats    map[*config.Heartbeat]clock.Ticker
	watchdog clock.Ticker    // nil without one of the service manager's
	intake   context.Context // ended first of all: nothing more is taken in
	shut     context.CancelFunc
}

// New opens the ledger, brings alarms, call-outs and thermal units to where the
// last run stopped, and listens for commands. It watches nothing yet: call Run,
// which also closes what New opened, or Close.
func New(ctx context.Context, opt Options) (_ *Daemon, err error) {
	if opt.TickEvery == 0 {
		opt.TickEvery = time.Second
	}
	c := opt.Config
	d := &Daemon{opt: opt, registry: prometheus.NewRegistry()}
	d.intake, d.shut = context.WithCancel(context.WithoutCancel(ctx))
	defer func() {
		if err != nil {
			err = errors.Join(err, d.Close())
		}
	}()
	if d.lock, err = Lock(c.Paths.Data); err != nil {
		return nil, err
	}
	log := func(part string) *slog.Logger { return opt.Log.With("component", part) }
	if d.ledger, err = ledger.Open(ctx, ledger.Options{Path: filepath.Join(c.Paths.Data, LedgerFile), Now: opt.Clock.Now, Log: log("ledger")}); err != nil {
		return nil, err
	}
	if err = d.putLots(ctx); err != nil {
		return nil, err
	}
	in, err := ingest.NewIntake(c.Site, ingest.Options{})
	if err != nil {
		return nil, err
	}
	if err = d.openWeb(ctx, log("web")); err != nil {
		return nil, err
	}
	m := newMetrics(d.registry)
	latest, _, err := d.ledger.LatestArrival(ctx)
	if err != nil {
		return nil, err
	}
	synced := opt.Synced
	if synced == nil {
		synced = kernelSynced
	}
	secret, err := web.Secret(c.Paths.Data)
	if err != nil {
		return nil, err
	}
	engine := rules.New(c.Site, opt.Program)
	if err = d.openHistory(ctx, engine.Memory()); err != nil {
		return nil, err
	}
	d.keeper = &keeper{
		site: c.Site, engine: engine, history: d.history, needRoom: make(chan struct{}, 1), router: d.router(secret), answers: newAnswers(c.People), intake: in, ledger: d.ledger,
		clock: opt.Clock, wall: newWall(opt.Clock, latest, synced), outbox: newOutbox(d.ledger), dir: c.Paths.Data, log: log("keeper"), metrics: m,
		in: make(chan ingest.Message, queueLen), commands: make(chan func(time.Time)), mail: make(chan struct{}, 1), closed: make(chan struct{}),
		badLog: make(map[string]badSample), uncounted: make(map[rules.Span]time.Time), needYear: make(chan struct{}, 1), hasYear: make(map[string]bool),
		life: context.WithoutCancel(ctx), drills: drills{plan: c.CallOut.Drill, zone: c.Site.Location}, mailBeats: newMailBeats(c),
	}
	d.keeper.program.Store(opt.Program)
	d.words = mqtt.NewWords()
	d.keeper.house = newHouse(c, d.words.Say, d.linkUp.Load, d.lifeless)
	if err = d.keeper.rebuild(ctx); err != nil {
		return nil, err
	}
	rest := web.Handler(page{d, d.keeper}, promhttp.HandlerFor(d.registry, promhttp.HandlerOpts{EnableOpenMetrics: true}), log("web"))
	rest = api.New(api.Options{Status: d.Status, Health: d.Health, Transitions: d.ledger.Transitions, Now: d.keeper.now, Log: log("web")}).Mount(rest)
	rest = pages.NewLots(d.keeper, c.Site).Mount(rest)
	rest = pages.NewRules(d.keeper, c.Site, d.keeper.now).Mount(rest)
	rest = pages.NewJournal(nowPage{d.keeper, d}, c.Site, d.keeper.now).Mount(rest)
	rest = web.NewCodes(d.keeper, secret, unitNames(c.Site), opt.Clock.Now, log("web")).Mount(rest)
	live := pages.NewLive(d.Status, nil)
	d.server.RegisterOnShutdown(live.Stop)
	rest = pages.NewNow(nowPage{d.keeper, d}, live).Mount(rest)
	rest = pages.NewHistory(pages.HistoryOptions{
		Site: c.Site, Past: d.history, Record: d.ledger, Status: d.Status, Now: d.keeper.now, Log: log("page"),
	}).Mount(rest)
	d.server.Handler = web.NewAnswers(web.AnswerOptions{
		Keeper: d.keeper, Secret: secret, People: peopleNames(c.People), Now: d.keeper.now, Log: log("web"),
		Count: func(o web.LinkOutcome) { m.answers.WithLabelValues("link", string(o)).Inc() },
	}).Mount(rest)
	d.server.Handler = d.guard(secret, d.server.Handler)
	d.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		historyCollector{d.history},
		&stateCollector{status: d.keeper.status.Load, now: d.keeper.now, outbox: d.ledger.OutboxDepth})
	if err = d.openBroker(houseTopics(d.keeper.house, topics(c.Site, in.Topics()))); err != nil {
		return nil, err
	}
	if err = d.openSender(opt.Log); err != nil {
		return nil, err
	}
	d.tick = opt.Clock.Ticker(opt.TickEvery)
	d.openHeartbeats()
	return d, nil
}

// putLots stores the site file's lots. A lot whose unit was changed and nothing
// else would be counted as if it had always been there: that is said.
func (d *Daemon) putLots(ctx context.Context) error {
	before, err := d.ledger.Lots(ctx)
	if err != nil {
		return err
	}
	for _, l := range d.opt.Config.Site.Lots {
		i := slices.IndexFunc(before, func(o lot.Lot) bool { return o.ID == l.ID })
		if i >= 0 && before[i].Unit() != l.Unit() && before[i].Path[0].From.Equal(l.Path[0].From) {
			d.opt.Log.Warn("lot moved in the site file, but its placed and start_units did not change: its units are now counted from the new unit's probe for its whole time; write when it was placed there and what it had gathered",
				"lot", l.ID, "from", before[i].Unit(), "to", l.Unit())
		}
	}
	return d.ledger.PutLots(ctx, d.opt.Config.Site.Lots)
}

func (d *Daemon) router(secret []byte) *notify.Router {
	c := d.opt.Config
	var people []notify.Person
	for _, p := range c.People {
		if slices.Contains(c.CallOut.People, p.Name) && len(p.Reach) > 0 {
			people = append(people, notify.Person{Name: p.Name, Reach: p.Reach})
		}
	}
	var link func(person, code string, expires time.Time) string
	if base := c.Web.URL; base != "" {
		link = func(person, code string, expires time.Time) string {
			return web.LinkURL(base, secret, person, code, expires)
		}
	}
	return notify.NewRouter(notify.Policy{
		Link:  link,
		Climb: c.CallOut.Climb, Spare: c.CallOut.Spare, Watch: c.CallOut.Watch, AllWell: c.CallOut.AllWell,
		Gather: c.CallOut.Gather, Repeat: c.CallOut.Repeat, Expire: c.CallOut.Expire, MorningMinute: c.CallOut.Morning,
		Location: c.Site.Location, SiteName: c.Site.Name, PageURL: c.Web.URL, Units: c.Site.Units, CommandAddr: commandAddr(d.WebAddr()),
	}, people, notify.Source{ID: newMessageID, Code: newCode})
}

func peopleNames(people []config.Person) (names []string) {
	for _, p := range people {
		names = append(names, p.Name)
	}
	return names
}

// commandAddr is what --at must say for commands to reach us, "" when that is
// the commands' own default.
func commandAddr(listen string) string {
	if listen == config.DefaultWeb {
		return ""
	}
	return listen
}

// newMessageID is the time and 64 random bits: unique over restarts.
func newMessageID(now time.Time) string {
	var b [8]byte
	_, _ = rand.Read(b[:]) // never fails
	return now.UTC().Format("20060102T150405.000000") + "-" + hex.EncodeToString(b[:])
}

// newCode is four digits by chance.
func newCode(time.Time) string {
	n, _ := rand.Int(rand.Reader, big.NewInt(10_000)) // never fails
	return fmt.Sprintf("%04d", n)
}

// openBroker prepares the embedded broker, if it is that, and what our client
// connects with.
func (d *Daemon) openBroker(topics []string) (err error) {
	b := d.opt.Config.Broker
	d.client = mqtt.Options{
		URLs: []string{b.URL}, ClientID: b.ClientID, User: b.User, Topics: topics, Log: d.opt.Log, Now: d.opt.Clock.Now,
		Handle: d.handle, OnLink: d.onLink, Words: d.words,
	}
	if !b.Embedded() {
		if d.client.Password, err = b.Password.Resolve(d.opt.Getenv, d.opt.ReadFile); err != nil {
			return err
		}
		d.client.TLS, err = b.TLS.ClientConfig(d.opt.ReadFile)
		return err
	}
	// Nobody else can log in as our own client.
	d.client.User, d.client.Password = b.ClientID, rand.Text()
	users := map[string]string{}
	for _, u := range b.Users {
		if users[u.Name], err = u.Password.Resolve(d.opt.Getenv, d.opt.ReadFile); err != nil {
			return err
		}
	}
	d.broker, err = broker.New(broker.Options{
		Listen: b.Listen, Log: d.opt.Log, Users: users, Anonymous: b.Anonymous,
		SubscriberID: b.ClientID, SubscriberPassword: d.client.Password,
	})
	return err
}

// runClient is our client's life: the embedded broker's address is known only
// once that listens.
func (d *Daemon) runClient(ctx context.Context) error {
	if d.broker != nil {
		select {
		case <-d.broker.Ready():
			d.client.URLs = []string{"mqtt://" + d.broker.Addr()}
		case <-ctx.Done():
			return nil
		}
	}
	c, err := mqtt.New(d.client)
	if err != nil {
		return err
	}
	return c.Run(ctx)
}

// handle puts a message into the keeper's queue and waits while it is full.
func (d *Daemon) handle(m ingest.Message) {
	select {
	case d.keeper.in <- m:
	case <-d.intake.Done():
	}
}

func (d *Daemon) onLink(up bool, detail string) {
	d.linkUp.Store(up)
	d.keeper.metrics.link.Set(map[bool]float64{true: 1}[up])
	d.keeper.tell(d.intake, rules.Broker, up, detail)
}

// webTimeout bounds the reading of one request.
const webTimeout = 10 * time.Second

func (d *Daemon) openWeb(ctx context.Context, log *slog.Logger) error {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", d.opt.Config.Web.Listen)
	if err != nil {
		return fmt.Errorf("daemon: listen for the page and commands on %q: %w; is another weirkeeper running? else choose another web.listen in the site file", d.opt.Config.Web.Listen, err)
	}
	d.listener = access.PerAddress(l, access.MostConnections)
	d.server = &http.Server{
		ReadHeaderTimeout: webTimeout, ReadTimeout: webTimeout, WriteTimeout: 3 * webTimeout, IdleTimeout: 6 * webTimeout, MaxHeaderBytes: 16 << 10,
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
	if !d.opt.Config.Web.TLS.IsZero() {
		d.server.TLSConfig, err = d.pageTLS()
	}
	return err
}

// WebAddr is where the page and the commands are, host:port.
func (d *Daemon) WebAddr() string { return d.listener.Addr().String() }

// BrokerAddr waits until the embedded broker listens and gives its host:port.
// Errors: ctx's.
func (d *Daemon) BrokerAddr(ctx context.Context) (string, error) {
	select {
	case <-d.broker.Ready():
		return d.broker.Addr(), nil
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// Run watches until ctx ends. The order of the stop follows the data: first
// nothing more is taken in, then the keeper judges what is queued, commits and
// acknowledges, then the client leaves the broker, the broker stops, a period
// being sealed is given up, then the page, and the sender, whose unsent messages
// are safe; the ledger is closed last.
func (d *Daemon) Run(ctx context.Context) error {
	stages := []stage{
		{"intake", func(ctx context.Context) error {
			<-ctx.Done()
			d.shut()
			return nil
		}},
		{"keeper", func(ctx context.Context) error { return d.keeper.run(ctx, d.tick) }},
		{"mqtt client", d.runClient},
	}
	if d.broker != nil {
		stages = append(stages, stage{"broker", d.broker.Run})
	}
	stages = append(stages, stage{"history", d.runHistory}, stage{"web", d.serve}, stage{"heartbeat", d.runHeartbeats}, stage{"watchdog", d.runWatchdog})
	if d.sender != nil {
		stages = append(stages, stage{"sender", func(ctx context.Context) error { return d.sender.Run(ctx, d.keeper.mail) }})
	}
	for _, name := range callout.Ways() {
		if w := d.ways[name]; w != nil && w.run != nil {
			stages = append(stages, stage{string(name), w.run})
		}
	}
	d.opt.Log.Info("watching", "site", d.opt.Config.Site.Name, "probes", len(d.opt.Config.Site.Probes), "rules", len(d.opt.Program.Rules), "page", d.WebAddr())
	err := runStages(ctx, stages)
	return errors.Join(err, d.Close())
}

// serve runs the HTTP server until ctx ends.
func (d *Daemon) serve(ctx context.Context) error {
	stopped := make(chan error, 1)
	stop := context.AfterFunc(ctx, func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime/3)
		defer cancel()
		if d.server.Shutdown(ctx) != nil {
			_ = d.server.Close() // whoever dawdles is cut off
		}
		stopped <- nil
	})
	serve := func() error { return d.server.Serve(d.listener) }
	if d.server.TLSConfig != nil {
		serve = func() error { return d.server.ServeTLS(d.listener, "", "") }
	}
	if err := serve(); !errors.Is(err, http.ErrServerClosed) {
		stop()
		return fmt.Errorf("daemon: serve the page: %w", err)
	}
	return <-stopped
}

// Close closes what New opened. Run calls it itself.
func (d *Daemon) Close() error {
	d.shut()
	if d.tick != nil {
		d.tick.Stop()
	}
	if d.watchdog != nil {
		d.watchdog.Stop()
	}
	for _, t := range d.beats {
		t.Stop()
	}
	var errs []error
	if d.listener != nil {
		if err := d.listener.Close(); !errors.Is(err, net.ErrClosed) {
			errs = append(errs, err)
		}
	}
	if d.ledger != nil {
		errs = append(errs, d.ledger.Close())
	}
	if d.lock != nil {
		errs = append(errs, d.lock.Close())
	}
	return errors.Join(errs...)
}

// Status is the state of the hatchery at the last tick, nil before the first.
func (d *Daemon) Status() *status.Status { return d.keeper.status.Load() }

// Health is "" while the daemon watches and all its messages go out, else what is
// wrong in a few words.
func (d *Daemon) Health() string {
	if s := d.blind(); s != "" {
		return s
	}
	s, _ := d.waysDown()
	return s
}

// lifeless is "" while the daemon watches and can call somebody out, which is what
// others are told: one of several ways that is down wakes nobody from outside, it
// is an alarm of our own.
func (d *Daemon) lifeless() string {
	if s := d.blind(); s != "" {
		return s
	}
	if s, all := d.waysDown(); all {
		return s
	}
	return ""
}

// blind is "" while the daemon watches.
func (d *Daemon) blind() string {
	s := d.Status()
	switch {
	case s == nil:
		return "starting, nothing judged yet"
	case !d.ticking():
		return "the keeper has not ticked lately"
	case s.Failing:
		return "the record cannot be written"
	case !d.linkUp.Load():
		return "no connection to the broker"
	}
	return ""
}

// Acknowledge records a human's answer; see keeper.Acknowledge.
func (d *Daemon) Acknowledge(ctx context.Context, key alarm.Key, by string) (string, error) {
	said, err := d.keeper.Acknowledge(ctx, key, by)
	if err == nil && !slices.ContainsFunc(d.opt.Config.People, func(p config.Person) bool { return p.Name == by }) {
		said += fmt.Sprintf("Note: %q is nobody in the site file; the others will read this name.\n", by)
	}
	return said, err
}

// ChoreDone records a chore done; see keeper.ChoreDone.
func (d *Daemon) ChoreDone(ctx context.Context, chore, unit, by string) (string, error) {
	return d.keeper.ChoreDone(ctx, chore, unit, by)
}

// Ledger is the record, for reading.
func (d *Daemon) Ledger() *ledger.Ledger { return d.ledger }

// History is the record with what is sealed of it, for reading.
func (d *Daemon) History() *series.Store { return d.history }
