package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"turnstone/staff"
	"turnstone/store"
)

// operator is who the audit rows of this command name: whoever may start it.
const operator = "operator"

// staffFlags are the settings of bot staff.
type staffFlags struct {
	place place
	staffOrder
}

// A staffOrder is what bot staff is told to do.
type staffOrder struct {
	Do   string `json:"do"`
	Name string `json:"name,omitempty"`
	Role string `json:"role,omitempty"`
	May  string `json:"may,omitempty"` // rights, with commas between them
}

const staffUsage = "write bot staff [flags] add NAME, list, remove NAME or code NAME"

func parseStaff(args []string, w world) (staffFlags, error) {
	var f staffFlags
	fs := flag.NewFlagSet("bot staff", flag.ContinueOnError)
	fs.SetOutput(w.err)
	config := configFlag(fs)
	f.place.flags(fs, "folder of the store (default: the usual one)")
	f.place.serverFlag(fs)
	fs.StringVar(&f.May, "may", "", "with add: what they may do, of see,take,lower,sensitive,settings")
	fs.StringVar(&f.Role, "role", "", "with add: what they are, as people read it: nurse")
	var words []string
	for rest := args; ; rest = fs.Args()[1:] { // flags may stand before and behind the words
		if err := fs.Parse(rest); err != nil {
			return f, errUsage
		}
		if fs.NArg() == 0 {
			break
		}
		words = append(words, fs.Arg(0))
	}
	if len(words) == 0 {
		return f, errors.New(staffUsage)
	}
	f.Do, f.Name = words[0], strings.Join(words[1:], " ")
	switch {
	case !slices.Contains([]string{"add", "list", "remove", "code"}, f.Do):
		return f, fmt.Errorf("bot staff knows no %q; %s", f.Do, staffUsage)
	case (f.Name == "") != (f.Do == "list"):
		return f, errors.New(staffUsage)
	case f.Do != "add" && f.May+f.Role != "":
		return f, errors.New("--may and --role go with add")
	}
	if _, err := f.place.configure(*config); err != nil {
		return f, err
	}
	return f, f.place.settle(w.env)
}

// staffCommand manages who works for the clinic. While a program holds the
// folder, that program does it.
func staffCommand(ctx context.Context, args []string, w world) (err error) {
	f, err := parseStaff(args, w)
	if err != nil {
		return err
	}
	open := openThere
	if f.Do == "add" {
		open = openOrMake
	}
	s, err := open(ctx, f.place, w)
	if errors.Is(err, store.ErrHeld) {
		return askHolder(ctx, f.place, f.staffOrder, w.out, err)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	return f.carryOut(ctx, s.members(time.Now), w.out)
}

// carryOut does what bot staff was told to, and says what came of it.
func (o staffOrder) carryOut(ctx context.Context, members *staff.Members, w io.Writer) (err error) {
	switch o.Do {
	case "add":
		err = addStaff(ctx, members, o, w)
	case "remove":
		if err = members.Remove(ctx, operator, o.Name); err == nil {
			_, err = fmt.Fprintf(w, "%s is removed, and their accounts are tied to nobody.\n", o.Name)
		}
	case "code":
		return printCode(ctx, members, o.Name, w)
	case "list":
		err = listStaff(ctx, members, w)
	default:
		err = fmt.Errorf("bot staff knows no %q; %s", o.Do, staffUsage)
	}
	if err != nil {
		return err
	}
	return sayHowMany(ctx, members, w)
}

// openOrMake opens a store, or makes it: staff may be there before anybody
// has talked.
func openOrMake(ctx context.Context, at place, w world) (*storage, error) {
	return openStorage(ctx, at, noBallast, time.Now, logger(w.err))
}

// members are the accounts of staff in a store.
func (s *storage) members(now func() time.Time) *staff.Members {
	return &staff.Members{Store: s, Now: now, Hide: s.masters.Name}
}

func addStaff(ctx context.Context, members *staff.Members, o staffOrder, w io.Writer) error {
	var may []staff.Right
	var err error
	if o.May != "" {
		if may, err = staff.ParseRights(o.May); err != nil {
			return fmt.Errorf("--may: %w", err)
		}
	}
	m, err := members.Add(ctx, operator, o.Name, o.Role, may)
	if err != nil {
		return err
	}
	if len(may) != len(m.May) {
		fmt.Fprintln(w, "The first member may do everything.")
	}
	_, err = fmt.Fprintf(w, "%s may %s. Tie an account to them with `bot staff code %s`.\n", m.Name, join(m.May), m.Name)
	return err
}

func join(rights []staff.Right) string {
	words := make([]string, len(rights))
	for i, r := range rights {
		words[i] = string(r)
	}
	return strings.Join(words, ", ")
}

func listStaff(ctx context.Context, members *staff.Members, w io.Writer) error {
	all, err := members.All(ctx)
	if err != nil {
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "NAME\tROLE\tMAY\tTIED ON")
	for _, m := range all {
		var on []string
		for _, tie := range m.Ties {
			on = append(on, tie.Platform)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", m.Name, m.Role, join(m.May), strings.Join(on, ", "))
	}
	return t.Flush()
}

func printCode(ctx context.Context, members *staff.Members, name string, w io.Writer) error {
	code, until, err := members.Code(ctx, operator, name)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%s\nIt counts once, until %s, and is not shown again.\nGive it to %s alone. They send it to the bot in a direct message.\n", code, until.Format("Mon 2 Jan 15:04 MST"), name)
	return err
}

// sayHowMany warns where an item may find nobody.
func sayHowMany(ctx context.Context, members *staff.Members, w io.Writer) error {
	n, err := members.Staffed(ctx)
	switch {
	case errors.Is(err, staff.ErrUnstaffed):
		_, err = fmt.Fprintln(w, "Nobody may take an item yet: add somebody with --may see,take.")
	case err == nil && n == 1:
		_, err = fmt.Fprintln(w, oneAlone)
	}
	return err
}

const oneAlone = "One member of staff alone may take items: while they are away nobody does."
