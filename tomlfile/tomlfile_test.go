package tomlfile

import (
	"strings"
	"testing"
)

type house struct {
	Name string `toml:"name"`
	Room []struct {
		Name string `toml:"name"`
		Door struct {
			Wide int `toml:"wide"`
		} `toml:"door"`
	} `toml:"room"`
}

const text = `# a house
name = "north"

[[room]]
name = "one"
  [room.door]
  wide = 80

[[room]]
nam = "two"
[room.door]
high = 2
wide = 90
`

func TestEveryFaultHasItsLine(t *testing.T) {
	var h house
	f, err := Decode("house.toml", []byte(text), &h)
	if err != nil {
		t.Fatal(err)
	}
	f.Fault("room[1].door.wide", "too wide")
	f.Fault("room[0].door.wide", "too narrow")
	f.Fault("room[1].name", "no name")
	f.Fault("owner", "nobody")
	want := `house.toml:1: nobody
house.toml:7: too narrow
house.toml:9: no name
house.toml:10: nothing reads "room.nam": correct the name, or remove it
house.toml:12: nothing reads "room.door.high": correct the name, or remove it
house.toml:13: too wide`
	if got := f.Err(); got == nil || got.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", got, want)
	}
}

func TestWhatIsNoTOMLOrOfTheWrongTypeIsRefused(t *testing.T) {
	for data, want := range map[string]string{
		"name = \"a\"\nname = \"b\"": "house.toml:2: ",
		"\n\nname":                   "house.toml:3: ",
		"\nname = 3":                 "house.toml:2: name: TOML value has type int64",
		"room = 3":                   "correct the type",
	} {
		if _, err := Decode("house.toml", []byte(data), &house{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %q", data, err, want)
		}
	}
	if f, err := Decode("house.toml", []byte(`name = "a"`), &house{}); err != nil || f.Err() != nil {
		t.Errorf("a good file: %v, %v", err, f.Err())
	}
}
