package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	"turnstone/care"
	"turnstone/locales"
	"turnstone/sign"
)

// signFlags are who signs what.
type signFlags struct {
	place                            place
	part, language, role, name, read string
	print                            bool
}

func parseSign(args []string, w world) (signFlags, error) {
	var f signFlags
	fs := flag.NewFlagSet("bot sign", flag.ContinueOnError)
	fs.SetOutput(w.err)
	fs.StringVar(&f.place.dir, "data", "", "folder of the durable store (default: the usual one)")
	f.place.signFlag(fs)
	config := configFlag(fs)
	fs.StringVar(&f.part, "part", "", "what is signed: protocol, sentences or pictures; without it everything is listed")
	fs.StringVar(&f.language, "language", "", "with --part sentences: in which language")
	fs.StringVar(&f.role, "role", "", "what the person who signs is, such as physiotherapist")
	fs.StringVar(&f.name, "name", "", "who signs")
	fs.StringVar(&f.read, "read-by", "", "with a language that is a draft: the second person who has read it back")
	fs.BoolVar(&f.print, "print", false, "write what is to be read before it is signed; after a change only what has changed")
	if err := fs.Parse(args); err != nil {
		return f, errUsage
	}
	var errs []error
	if fs.NArg() > 0 {
		errs = append(errs, fmt.Errorf("%q is not understood; flags begin with --", fs.Arg(0)))
	}
	if f.part == "" && (f.role+f.name+f.read+f.language != "" || f.print) {
		errs = append(errs, errors.New("--part is missing; it can be protocol, sentences or pictures"))
	}
	if f.part == string(sign.Sentences) && f.language == "" {
		errs = append(errs, errors.New("--language is missing: the sentences are signed one language at a time"))
	}
	_, err := f.place.configure(*config)
	return f, errors.Join(append(errs, err, f.place.settle(w.env))...)
}

// signPart lists what is signed, or signs a part.
func signPart(_ context.Context, args []string, w world) error {
	f, err := parseSign(args, w)
	if err != nil {
		return err
	}
	book, err := locales.Load(locales.Files)
	if err != nil {
		return err
	}
	contents, err := sign.Contents(book)
	if err != nil {
		return err
	}
	register, err := sign.Read(f.place.signedPath())
	if err != nil {
		return err
	}
	if f.part == "" {
		return listSigned(register, contents, w.out)
	}
	i := slices.IndexFunc(contents, func(c sign.Content) bool {
		return string(c.Part) == f.part && c.Language == care.Locale(f.language)
	})
	if i < 0 {
		return fmt.Errorf("there is no part %q in the language %q; there is %v", f.part, f.language, contents)
	}
	if f.print {
		return printPart(register.Standing(contents[i]), w.out)
	}
	if err := register.Sign(contents[i], f.role, f.name, f.read, time.Now()); err != nil {
		return err
	}
	fmt.Fprintf(w.out, "Signed in %s: %s, %d pieces, SHA-256 %s.\n", register.Path, contents[i], len(contents[i].Pieces), contents[i].Hash())
	return listSigned(register, contents, w.out)
}

func listSigned(r *sign.Register, contents []sign.Content, out io.Writer) error {
	list := r.Standings(contents)
	for _, s := range list {
		fmt.Fprintln(out, s)
	}
	words := "Service: people may be answered."
	if sign.Practice(list) {
		words = "Practice: people are not answered before the protocol, the pictures and the sentences of the base language are signed."
	}
	_, err := fmt.Fprintln(out, words)
	return err
}

// printPart writes what a clinician reads: what has changed since somebody
// signed, else everything.
func printPart(s sign.Standing, out io.Writer) error {
	names := s.Changed
	if s.Last == nil || s.By != nil {
		names = slices.Sorted(maps.Keys(s.Pieces))
	}
	for _, name := range names {
		if _, there := s.Pieces[name]; !there {
			fmt.Fprintf(out, "== %s\nIt is gone.\n", name)
			continue
		}
		text, err := s.Text(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "== %s\n%s\n", name, text)
	}
	return nil
}
