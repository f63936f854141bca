// Package locales holds all that belongs to a language: the sentences that the
// bot says, and the emergency and crisis numbers of each region. The files are
// data; they are read and checked whole at start, and a fault in one of them
// starts nothing. The package knows no protocol and no channel.
package locales

import "embed"

// Files holds every TOML file of this folder: the sentences, the numbers, and
// the word lists that the screen and the answer reader load for themselves.
//
//go:embed *.toml */*.toml learned.bin
var Files embed.FS
