package cli

import (
	"context"
	"flag"
	"fmt"
	"net"
	"net/http"
	"strings"
	"text/tabwriter"
	"time"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/notice"
)

func runAccountCreate(ctx context.Context, e *Env, args []string) error {
	var name, roles string
	_, err := flags(e, "account create", args, func(f *flag.FlagSet) {
		f.StringVar(&name, "name", "", "name of the business")
		f.StringVar(&roles, "role", "shop", "shop, storefront, distributor, administrator; several with commas")
	})
	if err != nil {
		return err
	}
	a := account.Account{Name: name}
	for r := range strings.SplitSeq(roles, ",") {
		a.Roles = append(a.Roles, caller.Role(strings.TrimSpace(r)))
	}
	return withStore(ctx, e, func(s Store) error {
		made, err := s.CreateAccount(ctx, Operator, a)
		if err != nil {
			return err
		}
		fmt.Fprintf(e.Out, "account %s: %s (%s)\nnext: forkwright key create --account %s\n", made.ID, made.Name, roles, made.ID)
		return nil
	})
}

func runLocationCreate(ctx context.Context, e *Env, args []string) error {
	var l account.Location
	_, err := flags(e, "location create", args, func(f *flag.FlagSet) {
		f.StringVar(&l.AccountID, "account", "", "id of the owning account")
		f.StringVar(&l.ID, "id", "", "short code, as north-store")
		f.StringVar(&l.Name, "name", "", "name for people")
		f.StringVar(&l.TimeZone, "zone", "UTC", "IANA time zone")
		f.StringVar(&l.DueBy, "due", "", "local time by which its nightly feed is due, as 02:30")
		f.IntVar(&l.DaysAway, "days-away", 0, "days until goods from there are at a shop's counter; 0 for its own shelf")
		f.BoolVar(&l.CountsExcludePromised, "counts-exclude-promised", false, "its counts already leave out what we have promised")
	})
	if err != nil {
		return err
	}
	return withStore(ctx, e, func(s Store) error {
		made, err := s.CreateLocation(ctx, Operator, l)
		if err != nil {
			return err
		}
		fmt.Fprintf(e.Out, "location %s of account %s\n", made.ID, made.AccountID)
		return nil
	})
}

func runKeyCreate(ctx context.Context, e *Env, args []string) error {
	var n account.NewKey
	var origins string
	var days int
	_, err := flags(e, "key create", args, func(f *flag.FlagSet) {
		f.StringVar(&n.AccountID, "account", "", "id of the account")
		f.StringVar(&n.Label, "label", "", "which till or program uses it")
		f.StringVar(&origins, "origins", "", "browser origins that may use it, for a storefront")
		f.IntVar(&days, "days", 0, "days until it ends; 0 for no end")
	})
	if err != nil {
		return err
	}
	if origins != "" {
		n.AllowedOrigins = strings.Split(origins, ",")
	}
	if days > 0 {
		end := e.Now().AddDate(0, 0, days)
		n.ExpiresAt = &end
	}
	return withStore(ctx, e, func(s Store) error {
		k, text, err := s.CreateKey(ctx, Operator, n)
		if err != nil {
			return err
		}
		printKey(e, k, text)
		return nil
	})
}

func printKey(e *Env, k account.Key, text string) {
	fmt.Fprintf(e.Out, "key %s, recognized by %s\n\n    %s\n\nIt is shown this once; it is stored as a digest only.\n", k.ID, k.Prefix, text)
}

func runKeyList(ctx context.Context, e *Env, args []string) error {
	var id string
	if _, err := flags(e, "key list", args, func(f *flag.FlagSet) { f.StringVar(&id, "account", "", "id of the account") }); err != nil {
		return err
	}
	return withStore(ctx, e, func(s Store) error {
		keys, err := s.Keys(ctx, id)
		if err != nil {
			return err
		}
		w := tabwriter.NewWriter(e.Out, 2, 4, 2, ' ', 0)
		fmt.Fprintln(w, "KEY\tPREFIX\tLABEL\tMADE\tENDS\tLAST USED")
		for _, k := range keys {
			ends := when(k.ExpiresAt, "never")
			if k.RevokedAt != nil {
				ends = "revoked " + when(k.RevokedAt, "")
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", k.ID, k.Prefix, k.Label, k.CreatedAt.Format(time.DateOnly), ends, when(k.LastUsedAt, "never"))
		}
		return w.Flush()
	})
}

func when(t *time.Time, none string) string {
	if t == nil {
		return none
	}
	return t.UTC().Format("2006-01-02 15:04Z")
}

func runKeyRevoke(ctx context.Context, e *Env, args []string) error {
	var id string
	rest, err := flags(e, "key revoke", args, func(f *flag.FlagSet) { f.StringVar(&id, "account", "", "only if it is of this account") }, "KEY-ID")
	if err != nil {
		return err
	}
	return withStore(ctx, e, func(s Store) error {
		k, err := s.RevokeKey(ctx, Operator, id, rest[0])
		if err != nil {
			return err
		}
		fmt.Fprintf(e.Out, "key %s (%s) is revoked\n", k.ID, k.Prefix)
		return nil
	})
}

func runKeyRotate(ctx context.Context, e *Env, args []string) error {
	var id string
	var overlap time.Duration
	rest, err := flags(e, "key rotate", args, func(f *flag.FlagSet) {
		f.StringVar(&id, "account", "", "only if it is of this account")
		f.DurationVar(&overlap, "overlap", 7*24*time.Hour, "how long the old key stays good")
	}, "KEY-ID")
	if err != nil {
		return err
	}
	return withStore(ctx, e, func(s Store) error {
		k, text, err := s.RotateKey(ctx, Operator, id, rest[0], overlap)
		if err != nil {
			return err
		}
		printKey(e, k, text)
		fmt.Fprintf(e.Out, "The key before it ends in %s.\n", overlap)
		return nil
	})
}

func runNoticeAdd(ctx context.Context, e *Env, args []string) error {
	n := notice.Notice{From: e.Now()}
	var kind, effect, serials, until string
	_, err := flags(e, "notice add", args, func(f *flag.FlagSet) {
		f.StringVar(&kind, "kind", string(notice.StopSale), "stop_sale, recall, bulletin or row_hold")
		f.StringVar(&effect, "effect", string(notice.Block), "warn or block")
		f.StringVar(&n.Text, "text", "", "the sentence that people at a counter will read")
		f.StringVar(&n.SKU, "sku", "", "the part")
		f.StringVar(&n.Fork, "fork", "", "the fork id")
		f.StringVar(&n.Row, "row", "", "the fitment row")
		f.StringVar(&n.Batch, "batch", "", "only this batch")
		f.StringVar(&serials, "serial", "", "only this range, FROM-TO")
		f.StringVar(&until, "until", "", "end, RFC 3339; empty: until withdrawn")
	})
	if err != nil {
		return err
	}
	n.Kind, n.Effect = notice.Kind(kind), notice.Effect(effect)
	if serials != "" {
		n.SerialFrom, n.SerialTo, _ = strings.Cut(serials, "-")
	}
	if until != "" {
		if n.Until, err = time.Parse(time.RFC3339, until); err != nil {
			return usage("--until %q is not a time like 2027-01-31T18:00:00+01:00", until)
		}
	}
	if err := n.Check(); err != nil {
		return err
	}
	return withStore(ctx, e, func(s Store) error {
		made, err := s.AddNotice(ctx, Operator, n)
		if err != nil {
			return err
		}
		fmt.Fprintf(e.Out, "notice %s (%s, %s) is in force\n", made.ID, made.Kind, made.Effect)
		return nil
	})
}

// runHealth asks the service at FORKWRIGHT_LISTEN; a wildcard address is asked on loopback.
func runHealth(ctx context.Context, e *Env, _ []string) error {
	host, port, err := net.SplitHostPort(e.Listen)
	if err != nil {
		return err
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+net.JoinHostPort(host, port)+"/readyz", nil)
	if err != nil {
		return err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return fmt.Errorf("not healthy: %w", err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("not healthy: /readyz answers %s", res.Status)
	}
	fmt.Fprintln(e.Out, "ready")
	return nil
}
