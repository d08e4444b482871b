package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"strings"
	"text/tabwriter"

	"weirkeeper/cmd/weirkeeper/internal/web"
)

func runLinks(_ context.Context, e env, args []string) int {
	flags := flag.NewFlagSet("links", flag.ContinueOnError)
	path := flags.String("site", defaultSite, "site `file`")
	rest, code, ok := e.parse("links", flags, args)
	if !ok {
		return code
	}
	if len(rest) > 0 {
		return e.usage("links", "links takes no arguments besides its flags")
	}
	c, err := e.readSite(*path)
	if err != nil {
		return e.fault(err)
	}
	secret, err := web.ReadSecret(c.Paths.Data)
	if errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("%w: weirkeeper run makes it when it first starts", err)
	}
	if err != nil {
		return e.fault(err)
	}
	scheme := "http://"
	if !c.Web.TLS.IsZero() {
		scheme = "https://"
	}
	base := cmp.Or(c.Web.URL, scheme+c.Web.Listen)
	u, err := url.Parse(base)
	if err != nil {
		return e.fault(fmt.Errorf("%q is no web address; correct web.url in the site file", base))
	}
	host := u.Hostname()
	if ip := net.ParseIP(host); host == "" || host == "localhost" || ip != nil && (ip.IsLoopback() || ip.IsUnspecified()) {
		fmt.Fprintln(e.err, `Warning: a telephone does not reach these links. In the site file, write in web { ... } listen = ":8370" and the address of this computer in the hatchery's network, such as url = "http://192.0.2.7:8370/".`)
	}
	base = strings.TrimSuffix(base, "/")
	w := tabwriter.NewWriter(e.out, 0, 4, 2, ' ', 0)
	fmt.Fprintf(w, "the whole site\t%s\n", base+web.LinkPath(secret, ""))
	for i := range c.Site.Units {
		name := c.Site.Units[i].Name
		fmt.Fprintf(w, "%s\t%s\n", name, base+web.LinkPath(secret, name))
	}
	if err := w.Flush(); err != nil {
		return e.fault(err)
	}
	fmt.Fprintln(e.err, "Whoever has a link can tell of chores from the hatchery's network. To make all of them void, remove", web.SecretFile, "from the data folder while weirkeeper is stopped.")
	return exitOK
}
