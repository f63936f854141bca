package main

import (
	"fmt"
	"net"
)

// tellReady tells systemd, if it has started us and wants to know, that the
// service is up (sd_notify(3): a datagram to NOTIFY_SOCKET; @ begins an
// abstract name). `systemctl start` waits for it, and fails where we refuse.
func tellReady(env func(string) string) error {
	name := env("NOTIFY_SOCKET")
	if name == "" {
		return nil
	}
	conn, err := net.Dial("unixgram", name)
	if err != nil {
		return fmt.Errorf("tell systemd that the service is up: %w", err)
	}
	if _, err := conn.Write([]byte("READY=1")); err != nil {
		return fmt.Errorf("tell systemd that the service is up: %w", err)
	}
	return conn.Close()
}
