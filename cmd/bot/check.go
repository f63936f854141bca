package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"turnstone/care"
	"turnstone/flow"
	"turnstone/flow/answer"
	"turnstone/flow/protocol"
	"turnstone/locales"
	"turnstone/pictures"
	"turnstone/safety"
)

// check reads files whole and says every fault, its line and what to do.
// Without a file it checks what comes with the program; a folder is read as
// languages, a .yaml file as a protocol.
func check(_ context.Context, args []string, w world) error {
	if len(args) == 0 {
		p, err := load("ankle", care.Hours{})
		if err != nil {
			return err
		}
		fmt.Fprintf(w.out, "All is well: protocols %s, languages %v, %d states.\n", strings.Join(p.flow.Protocols(), ", "), p.book.Locales(), p.flow.States())
		return nil
	}
	var errs []error
	for _, name := range args {
		if err := checkFile(name); err != nil {
			errs = append(errs, err)
			continue
		}
		fmt.Fprintf(w.out, "%s: all is well\n", name)
	}
	return errors.Join(errs...)
}

func checkFile(name string) error {
	info, err := os.Stat(name)
	if err != nil {
		return fmt.Errorf("%w; name a protocol file or a folder of languages", err)
	}
	if info.IsDir() {
		return checkLanguages(os.DirFS(name))
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	p, err := protocol.Parse(filepath.Base(name), data)
	if err != nil {
		return err
	}
	book, err := locales.Load(locales.Files)
	if err != nil {
		return err
	}
	numbers, err := locales.LoadNumbers(locales.Files)
	if err != nil {
		return err
	}
	f, err := flow.New(flow.Settings{Protocols: []*protocol.Protocol{p}, Current: p.Name, Book: book, Numbers: numbers})
	if err != nil {
		return err
	}
	return errors.Join(book.Check(f.Keys()), pictures.Check(p.Pictures()))
}

func checkLanguages(fsys fs.FS) error {
	_, err1 := locales.Load(fsys)
	_, err2 := locales.LoadNumbers(fsys)
	_, err3 := safety.LoadScreen(fsys)
	_, err4 := answer.Load(fsys)
	_, err5 := safety.LoadForbidden(fsys)
	return errors.Join(err1, err2, err3, err4, err5)
}
