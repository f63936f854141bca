module turnstone

go 1.26.0

require (
	github.com/BurntSushi/toml v1.6.0
	github.com/bwmarrin/discordgo v0.29.0
	github.com/gorilla/websocket v1.5.3
	github.com/jdkato/prose v1.2.1
	github.com/looplab/fsm v1.0.3
	github.com/nicksnyder/go-i18n/v2 v2.7.0
	github.com/nyaruka/phonenumbers v1.8.1
	github.com/prometheus/client_golang v1.23.2
	github.com/prometheus/common v0.66.1
	github.com/redis/go-redis/v9 v9.23.0
	github.com/rivo/uniseg v0.4.7
	go.etcd.io/bbolt v1.5.0
	go.uber.org/goleak v1.3.0
	go.yaml.in/yaml/v3 v3.0.6
	golang.org/x/sync v0.25.0
	golang.org/x/sys v0.50.0
	golang.org/x/term v0.48.0
	golang.org/x/text v0.44.0
	gonum.org/v1/gonum v0.17.0
	pgregory.net/rapid v1.3.0
)

require (
	github.com/beorn7/perks v1.0.1 // indirect
	github.com/cespare/xxhash/v2 v2.3.0 // indirect
	github.com/kr/text v0.2.0 // indirect
	github.com/montanaflynn/stats v0.6.3 // indirect
	github.com/munnerz/goautoneg v0.0.0-20191010083416-a7dc8b61c822 // indirect
	github.com/prometheus/client_model v0.6.2 // indirect
	github.com/prometheus/procfs v0.16.1 // indirect
	go.uber.org/atomic v1.12.0 // indirect
	go.yaml.in/yaml/v2 v2.4.2 // indirect
	golang.org/x/crypto v0.0.0-20210421170649-83a5a9bb288b // indirect
	google.golang.org/protobuf v1.36.11 // indirect
	gopkg.in/neurosnap/sentences.v1 v1.0.6 // indirect
)
