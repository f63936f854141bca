package seal

import (
	"bytes"
	"compress/flate"
	_ "embed" // the dictionary
	"fmt"
	"io"
	"sync"
)

// How something is packed, the first byte under the seal.
const (
	packedNot  = 0
	packedDict = 1 // deflate with dictionary 1
)

// dict holds what records are full of, the most frequent last. Data is packed
// with it, so that it may never change: a better one gets a number of its own.
//
//go:embed dict1.txt
var dict []byte

// packFrom is the size from which packing is worth its time. A log line is
// shorter.
const packFrom = 400

// packLevel is a middle one: higher levels save a few bytes in a hundred and
// take twice the time.
const packLevel = 5

var packers = sync.Pool{New: func() any {
	w, err := flate.NewWriterDict(io.Discard, packLevel, dict)
	if err != nil {
		panic(err) // the level is one of flate's
	}
	return w
}}

var unpackers = sync.Pool{New: func() any { return flate.NewReaderDict(bytes.NewReader(nil), dict) }}

// pack makes plain smaller where it can.
func pack(plain []byte) []byte {
	if len(plain) >= packFrom {
		var b bytes.Buffer
		b.Grow(len(plain) / 2)
		b.WriteByte(packedDict)
		w := packers.Get().(*flate.Writer)
		w.Reset(&b)
		_, werr := w.Write(plain)
		cerr := w.Close()
		packers.Put(w)
		if werr == nil && cerr == nil && b.Len() <= len(plain) { // a buffer takes everything
			return b.Bytes()
		}
	}
	return append([]byte{packedNot}, plain...)
}

func unpack(packed []byte) ([]byte, error) {
	switch {
	case len(packed) == 0:
		return nil, fmt.Errorf("%w: there is nothing in it", ErrOpen)
	case packed[0] == packedNot:
		return packed[1:], nil
	case packed[0] != packedDict:
		return nil, fmt.Errorf("packing %d is not known; use the version that wrote it", packed[0])
	}
	r := unpackers.Get().(io.ReadCloser)
	defer unpackers.Put(r)
	if err := r.(flate.Resetter).Reset(bytes.NewReader(packed[1:]), dict); err != nil {
		return nil, fmt.Errorf("unpack: %w", err)
	}
	plain, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("unpack: %w", err)
	}
	return plain, nil
}
