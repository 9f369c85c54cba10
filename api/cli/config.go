package cli

import (
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Config is everything that the environment can say, read once.
type Config struct {
	DatabaseURL     string         // DATABASE_URL: the service role, for serve and the administrative commands
	OwnerURL        string         // FORKWRIGHT_OWNER_URL: the owner role, for migrate
	Listen          string         // FORKWRIGHT_LISTEN
	ListenGiven     bool           // whether it was set
	MetricsListen   string         // FORKWRIGHT_METRICS_LISTEN; empty: off
	EnforceContract bool           // FORKWRIGHT_CONTRACT=enforce
	SigningKey      []byte         // FORKWRIGHT_SIGNING_KEY: signs receipts and the links of pages; all replicas share it
	PublicURL       string         // FORKWRIGHT_PUBLIC_URL: where customers reach this service, without a slash at its end; empty: not known
	TrustedProxies  []netip.Prefix // FORKWRIGHT_TRUSTED_PROXIES
	KeyRate         Rate           // FORKWRIGHT_KEY_RATE
	AddressRate     Rate           // FORKWRIGHT_ADDRESS_RATE
	MaxRunning      int            // FORKWRIGHT_MAX_RUNNING: operations worked on at once
	MaxStreams      int            // FORKWRIGHT_MAX_STREAMS: feeds and catalogs taken in at once
	MaxConnections  int            // FORKWRIGHT_MAX_CONNECTIONS
	MaxPerAddress   int            // FORKWRIGHT_MAX_CONNECTIONS_PER_ADDRESS
	PoolSize        int32          // FORKWRIGHT_POOL_SIZE
	OldRevisionsMiB int            // FORKWRIGHT_OLD_REVISIONS_MIB: memory for older catalog revisions
	Shutdown        time.Duration  // FORKWRIGHT_SHUTDOWN: how long requests may finish
	LogLevel        string         // FORKWRIGHT_LOG: debug|info|warn|error
	LogGiven        bool           // whether it was set
	GCGiven         bool           // whether GOGC was set, the Go runtime's own variable

	FeedURL string // FORKWRIGHT_URL: the service that stock push sends to
	FeedKey string // FORKWRIGHT_KEY: the API key that it sends

	DemoURL  string // FORKWRIGHT_DEMO_DATABASE_URL: a database of the demo's own, by a superuser
	DemoKey  string // FORKWRIGHT_DEMO_KEY
	DemoKeep string // FORKWRIGHT_DEMO_KEEP: a folder in which the demo's Postgres survives
}

// Rate is so many units a second on average and a burst at once; zero is no limit.
type Rate struct {
	PerSecond float64
	Burst     int
}

// runningPerCore is enough to keep a core busy while others wait for the database, and few
// enough that the dearest answer, a PDF of some 15 ms, comes within a quarter of a second.
const runningPerCore = 16

// Variable explains one variable of the environment, for "help".
type Variable struct{ Name, Default, Allowed string }

// Variables lists what ReadConfig reads.
func Variables() []Variable {
	return []Variable{
		{"DATABASE_URL", "none", "postgres://… or key=value, the service role (serve, catalog, key, account, location, notice)"},
		{"FORKWRIGHT_OWNER_URL", "none", "postgres://… or key=value, the owner role (migrate)"},
		{"FORKWRIGHT_LISTEN", "127.0.0.1:8080 (demo: a free port)", "host:port"},
		{"FORKWRIGHT_METRICS_LISTEN", "127.0.0.1:9464", "host:port of a loopback address, or off"},
		{"FORKWRIGHT_CONTRACT", "off", "off or enforce (checks every request and response against openapi.yaml; slow)"},
		{"FORKWRIGHT_SIGNING_KEY", "none (demo: made anew at each start)", "at least 32 characters, the same on every replica and after a restart"},
		{"FORKWRIGHT_PUBLIC_URL", "none: links are paths", allowedPublic + "; links on paper and to quote pages begin with it"},
		{"FORKWRIGHT_TRUSTED_PROXIES", "none", "addresses or networks, comma-separated, whose X-Forwarded-For counts"},
		{"FORKWRIGHT_KEY_RATE", "50/500", "what one key may ask in units of cost: A SECOND/AT ONCE, as 50/500; its account four times as much; off: no limit"},
		{"FORKWRIGHT_ADDRESS_RATE", "200/2000", "what one address may ask, with or without a key: A SECOND/AT ONCE; off: no limit"},
		{"FORKWRIGHT_MAX_RUNNING", "16 for each core", "operations worked on at once, from 1 to 10000; as many wait a moment, the others get 503"},
		{"FORKWRIGHT_MAX_STREAMS", "4", "feeds and catalogs taken in at once, from 1 to 100; one account half of them"},
		{"FORKWRIGHT_MAX_CONNECTIONS", "4096", "open connections, from 16 to 1000000"},
		{"FORKWRIGHT_MAX_CONNECTIONS_PER_ADDRESS", "512", "open connections of one address that is no trusted proxy, from 1 to 1000000"},
		{"FORKWRIGHT_POOL_SIZE", "16", "a whole number from 2 to 500"},
		{"FORKWRIGHT_OLD_REVISIONS_MIB", "256", "a whole number from 16 to 65536"},
		{"FORKWRIGHT_SHUTDOWN", "20s", "a duration from 1s to 5m"},
		{"FORKWRIGHT_LOG", "info (demo: warn)", "debug, info, warn or error"},
		{"FORKWRIGHT_URL", "http://127.0.0.1:8080", "http://… or https://…, the service that stock push sends to"},
		{"FORKWRIGHT_KEY", "none", "the API key that stock push sends"},
		{"FORKWRIGHT_DEMO_DATABASE_URL", "none: a private Postgres is started", "postgres://… of a superuser, a database of the demo's own"},
		{"FORKWRIGHT_DEMO_KEY", "made anew at each start", "20 to 100 letters, digits, - and _"},
		{"FORKWRIGHT_DEMO_KEEP", "none: the demo starts empty", "a folder for the demo's Postgres"},
	}
}

// ReadConfig reads the environment. It fails on the first wrong value with a message that
// names the variable, the value and what is allowed.
func ReadConfig(getenv func(string) string) (Config, error) {
	r := reader{getenv: getenv}
	c := Config{
		DatabaseURL:     r.database("DATABASE_URL"),
		OwnerURL:        r.database("FORKWRIGHT_OWNER_URL"),
		Listen:          r.address("FORKWRIGHT_LISTEN", "127.0.0.1:8080"),
		ListenGiven:     getenv("FORKWRIGHT_LISTEN") != "",
		MetricsListen:   r.loopback("FORKWRIGHT_METRICS_LISTEN", "127.0.0.1:9464"),
		EnforceContract: r.choice("FORKWRIGHT_CONTRACT", "off", "off", "enforce") == "enforce",
		SigningKey:      []byte(r.text("FORKWRIGHT_SIGNING_KEY", "", regexp.MustCompile(`^[!-~]{32,}$`), "at least 32 printable characters without spaces")),
		PublicURL:       r.public("FORKWRIGHT_PUBLIC_URL"),
		TrustedProxies:  r.prefixes("FORKWRIGHT_TRUSTED_PROXIES"),
		KeyRate:         r.rate("FORKWRIGHT_KEY_RATE", Rate{50, 500}),
		AddressRate:     r.rate("FORKWRIGHT_ADDRESS_RATE", Rate{200, 2000}),
		MaxRunning:      r.number("FORKWRIGHT_MAX_RUNNING", runningPerCore*runtime.GOMAXPROCS(0), 1, 10_000),
		MaxStreams:      r.number("FORKWRIGHT_MAX_STREAMS", 4, 1, 100),
		MaxConnections:  r.number("FORKWRIGHT_MAX_CONNECTIONS", 4096, 16, 1_000_000),
		MaxPerAddress:   r.number("FORKWRIGHT_MAX_CONNECTIONS_PER_ADDRESS", 512, 1, 1_000_000),
		PoolSize:        int32(r.number("FORKWRIGHT_POOL_SIZE", 16, 2, 500)),
		OldRevisionsMiB: r.number("FORKWRIGHT_OLD_REVISIONS_MIB", 256, 16, 65536),
		Shutdown:        r.duration("FORKWRIGHT_SHUTDOWN", 20*time.Second, time.Second, 5*time.Minute),
		LogGiven:        getenv("FORKWRIGHT_LOG") != "",
		GCGiven:         getenv("GOGC") != "",
		LogLevel:        r.choice("FORKWRIGHT_LOG", "info", "debug", "info", "warn", "error"),
		FeedURL:         r.text("FORKWRIGHT_URL", "http://127.0.0.1:8080", regexp.MustCompile(`^https?://[^ ]+$`), "http://… or https://…"),
		FeedKey:         r.text("FORKWRIGHT_KEY", "", regexp.MustCompile(`^[A-Za-z0-9_-]{20,100}$`), "20 to 100 letters, digits, - and _"),
		DemoURL:         r.database("FORKWRIGHT_DEMO_DATABASE_URL"),
		DemoKey:         r.text("FORKWRIGHT_DEMO_KEY", "", regexp.MustCompile(`^[A-Za-z0-9_-]{20,100}$`), "20 to 100 letters, digits, - and _"),
		DemoKeep:        getenv("FORKWRIGHT_DEMO_KEEP"),
	}
	return c, r.err
}

// reader keeps the first error, so that the list above reads as a list.
type reader struct {
	getenv func(string) string
	err    error
}

var secret = regexp.MustCompile(`^FORKWRIGHT_((SIGNING|DEMO)_)?KEY$|URL$`)

func (r *reader) fail(name, value, allowed string) {
	if r.err != nil {
		return
	}
	if secret.MatchString(name) {
		value = fmt.Sprintf("(%d characters, not shown)", len(value))
	} else {
		value = strconv.Quote(value)
	}
	r.err = fmt.Errorf("%s is %s; allowed: %s", name, value, allowed)
}

func (r *reader) database(name string) string {
	v := r.getenv(name)
	if v == "" || !strings.Contains(v, "://") && strings.Contains(v, "=") {
		return v
	}
	u, err := url.Parse(v)
	if err != nil || u.Scheme != "postgres" && u.Scheme != "postgresql" {
		r.fail(name, v, "postgres://user@host/database, or key=value pairs")
	}
	return v
}

const allowedPublic = "https://host or http://host:port, with a path where a proxy adds one, without user, query and fragment"

// public is an address of this service that others can follow.
func (r *reader) public(name string) string {
	v := r.getenv(name)
	if v == "" {
		return ""
	}
	u, err := url.Parse(v)
	if err != nil || u.Scheme != "https" && u.Scheme != "http" || !hostForm.MatchString(u.Host) || u.User != nil || u.RawQuery != "" || u.ForceQuery || strings.Contains(v, "#") ||
		!pathForm.MatchString(u.EscapedPath()) {
		r.fail(name, v, allowedPublic)
	}
	return strings.TrimRight(v, "/")
}

var (
	hostForm = regexp.MustCompile(`^([A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?)*|\[[0-9a-fA-F:.]+\])(:[0-9]{1,5})?$`)
	pathForm = regexp.MustCompile(`^(/[A-Za-z0-9._~-]+)*/?$`)
)

func (r *reader) address(name, fallback string) string {
	v := r.getenv(name)
	if v == "" {
		return fallback
	}
	_, port, err := net.SplitHostPort(v)
	if n, perr := strconv.ParseUint(port, 10, 16); err != nil || perr != nil || n > 65535 {
		r.fail(name, v, "host:port, as 127.0.0.1:8080")
	}
	return v
}

func (r *reader) loopback(name, fallback string) string {
	if r.getenv(name) == "off" {
		return ""
	}
	v := r.address(name, fallback)
	host, _, _ := net.SplitHostPort(v)
	if ip, err := netip.ParseAddr(host); host != "localhost" && (err != nil || !ip.IsLoopback()) {
		r.fail(name, v, "host:port of a loopback address, or off")
	}
	return v
}

func (r *reader) choice(name, fallback string, allowed ...string) string {
	v := r.getenv(name)
	if v == "" {
		return fallback
	}
	if !slices.Contains(allowed, v) {
		r.fail(name, v, strings.Join(allowed, ", "))
	}
	return v
}

func (r *reader) text(name, fallback string, form *regexp.Regexp, allowed string) string {
	v := r.getenv(name)
	if v == "" {
		return fallback
	}
	if !form.MatchString(v) {
		r.fail(name, v, allowed)
	}
	return v
}

func (r *reader) number(name string, fallback, least, most int) int {
	v := r.getenv(name)
	if v == "" {
		return fallback
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < least || n > most {
		r.fail(name, v, fmt.Sprintf("a whole number from %d to %d", least, most))
	}
	return n
}

func (r *reader) rate(name string, fallback Rate) Rate {
	v := r.getenv(name)
	switch v {
	case "":
		return fallback
	case "off":
		return Rate{}
	}
	second, burst, _ := strings.Cut(v, "/")
	a, err := strconv.ParseFloat(second, 64)
	b, err2 := strconv.Atoi(burst)
	if err != nil || err2 != nil || !(a > 0 && a <= 1e6) || b < 20 || b > 1e7 { // 20: the dearest operation
		r.fail(name, v, "units a second and at once, as 50/500 (at least 20 at once), or off")
	}
	return Rate{a, b}
}

func (r *reader) duration(name string, fallback, least, most time.Duration) time.Duration {
	v := r.getenv(name)
	if v == "" {
		return fallback
	}
	d, err := time.ParseDuration(v)
	if err != nil || d < least || d > most {
		r.fail(name, v, fmt.Sprintf("a duration from %s to %s, as 20s", least, most))
	}
	return d
}

func (r *reader) prefixes(name string) []netip.Prefix {
	v := r.getenv(name)
	if v == "" {
		return nil
	}
	var out []netip.Prefix
	for part := range strings.SplitSeq(v, ",") {
		part = strings.TrimSpace(part)
		p, err := netip.ParsePrefix(part)
		if a, aerr := netip.ParseAddr(part); aerr == nil {
			p, err = netip.PrefixFrom(a, a.BitLen()), nil
		}
		if err != nil {
			r.fail(name, v, "addresses or networks separated by commas, as 10.0.0.0/8")
			return nil
		}
		out = append(out, p)
	}
	return out
}
