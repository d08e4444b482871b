package access

import "net/http"

// need is what a route asks of whoever comes by it.
type need struct {
	// role is the least.
	role Role
	// command: programs on this computer may come too, see Local.
	command bool
	// own: the handler itself proves who comes, by the link in its path, and no
	// more is asked here.
	own bool
}

// routes are all that somebody can ask for, by the patterns of http.ServeMux. What
// is in no pattern needs Look if it only reads, and is refused if it does not.
//
// To add what changes something, add its line here: the test of roles then holds
// it against each role.
var routes = map[string]need{
	"GET /healthz":   {own: true},
	"GET /a/{token}": {own: true}, "POST /a/{token}": {own: true},
	"GET /c/{token}": {own: true}, "POST /c/{token}": {own: true},
	"GET /static/": {},

	"GET /sign-in": {}, "POST /sign-in": {},
	"GET /device/{token}": {}, "POST /device/{token}": {},
	"POST /sign-out": {role: Look},

	"GET /":         {role: Look, command: true},
	"GET /people":   {role: Manage},
	"POST /people/": {role: Manage},
	"POST /people":  {role: commandsOnly, command: true},

	// What is done on the page.
	"POST /do/acknowledge": {role: Work},
	"POST /do/reset":       {role: Work},
	"POST /do/clean":       {role: Work},
	"POST /do/done":        {role: Work},
	"POST /do/resume":      {role: Manage},
	"POST /do/lots/":       {role: Work},
	"POST /rules/what-if":  {role: Work},

	// Commands of programs on this computer.
	"POST /acknowledge":  {role: commandsOnly, command: true},
	"POST /reset":        {role: commandsOnly, command: true},
	"POST /act":          {role: commandsOnly, command: true},
	"POST /done":         {role: commandsOnly, command: true},
	"POST /reload":       {role: commandsOnly, command: true},
	"POST /received":     {role: commandsOnly, command: true},
	"POST /lots/entries": {role: commandsOnly, command: true},
	"POST /thermometer":  {role: commandsOnly, command: true},
}

// commandsOnly is more than anybody may who comes by a browser.
const commandsOnly = Manage + 1

// finder finds the pattern of a request as the rest of the web side does.
var finder = func() *http.ServeMux {
	m := http.NewServeMux()
	for pattern := range routes {
		m.Handle(pattern, http.NotFoundHandler())
	}
	return m
}()

// needOf is what a request needs; known is false where it would change something
// and is in no route.
func needOf(r *http.Request) (n need, known bool) {
	_, pattern := finder.Handler(r)
	n, known = routes[pattern]
	return n, known
}
