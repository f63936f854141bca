module turnstone

go 1.26.0

require (
	github.com/BurntSushi/toml v1.6.0 // indirect
	github.com/jdkato/prose v1.2.1 // indirect
	github.com/looplab/fsm v1.0.3 // indirect
	github.com/montanaflynn/stats v0.6.3 // indirect
	github.com/nicksnyder/go-i18n/v2 v2.7.0 // indirect
	github.com/nyaruka/phonenumbers v1.8.1 // indirect
	github.com/rivo/uniseg v0.4.7 // indirect
	github.com/rogpeppe/go-internal v1.16.0 // indirect
	go.etcd.io/bbolt v1.5.0 // indirect
	go.uber.org/goleak v1.3.0 // indirect
	go.yaml.in/yaml/v3 v3.0.6 // indirect
	golang.org/x/sync v0.25.0 // indirect
	golang.org/x/sys v0.50.0 // indirect
	golang.org/x/term v0.48.0 // indirect
	golang.org/x/text v0.44.0 // indirect
	gonum.org/v1/gonum v0.17.0 // indirect
	google.golang.org/protobuf v1.36.11 // indirect
	gopkg.in/neurosnap/sentences.v1 v1.0.6 // indirect
	pgregory.net/rapid v1.3.0 // indirect
)
