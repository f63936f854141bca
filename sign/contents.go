package sign

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
	"turnstone/locales"
	"turnstone/pictures"
)

// Contents are all parts of this program, to be signed.
func Contents(book *locales.Book) ([]Content, error) {
	base := book.Locales()[0]
	asked, err1 := files(protocol.Files, "files/*.yaml")
	drawn, err2 := files(pictures.Files, "*")
	numbers, err3 := files(locales.Files, "numbers/*.toml")
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, err
	}
	list := []Content{{Part: Protocol, Needed: true, Pieces: asked, text: read(protocol.Files, "files")}}
	for _, l := range book.Locales() {
		language, _ := book.Language(l)
		c := Content{Part: Sentences, Language: l, Draft: language.State == "draft", Needed: l == base, Pieces: map[string]string{}}
		c.text = func(key string) (string, error) { return said(book, l, base, care.SentenceKey(key)), nil }
		for _, key := range book.Keys() {
			c.Pieces[string(key)] = Piece([]byte(said(book, l, base, key)))
		}
		if c.Needed {
			maps.Copy(c.Pieces, numbers)
			c.text = func(piece string) (string, error) {
				if _, file := numbers[piece]; file {
					return read(locales.Files, "numbers")(piece)
				}
				return said(book, l, base, care.SentenceKey(piece)), nil
			}
		}
		list = append(list, c)
	}
	shown := func(file string) (string, error) {
		name := strings.TrimSuffix(file, path.Ext(file))
		return "Look at the file, in the pictures folder of the source, and at docs/pictures.md beside it.\n" + said(book, base, base, pictures.Words(name)), nil
	}
	return append(list, Content{Part: Pictures, Needed: true, Pieces: drawn, text: shown}), nil
}

// said is a sentence as it is signed: in another language together with that of
// the base language, so that a change of the meaning there unsigns it here.
func said(book *locales.Book, l, base care.Locale, key care.SentenceKey) string {
	text := book.Written(l, key)
	if l != base {
		text += fmt.Sprintf("in %s:\n%s", base, book.Written(base, key))
	}
	return text
}

// files are the hashes of files by name.
func files(fsys fs.FS, pattern string) (map[string]string, error) {
	names, err := fs.Glob(fsys, pattern)
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, name := range names {
		data, err := fs.ReadFile(fsys, name)
		if err != nil {
			return nil, err
		}
		out[path.Base(name)] = Piece(data)
	}
	return out, nil
}

// read gives files of a folder by name.
func read(fsys fs.FS, folder string) func(name string) (string, error) {
	return func(name string) (string, error) {
		data, err := fs.ReadFile(fsys, path.Join(folder, name))
		return string(data), err
	}
}
