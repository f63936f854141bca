package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// A folder has one process, and staff come and go while it runs. So whoever
// holds a folder listens on a socket in it and carries out what bot staff is
// told to. Whoever may enter the folder, and nobody else, may ask:
// docs/adr/0012-staff-while-it-runs.md.
const staffSocket = "staff.sock"

// How long an order may take, and how long it may be. The longest is some 300
// bytes: a name, a role and five rights.
const (
	orderTime = 10 * time.Second
	orderMost = 4 << 10
)

// An outcome is what came of an order: what bot staff prints, and why it ends.
type outcome struct {
	Out string `json:"out,omitempty"`
	Err string `json:"err,omitempty"`
}

// hearStaff carries out orders until ctx is done, one after the other. Where it
// can't listen the conversation goes on, and staff are managed with the bot
// stopped.
func (h *house) hearStaff(ctx context.Context, dir string) error {
	listener, err := listenIn(ctx, dir)
	if err != nil {
		h.keeper.Log.WarnContext(ctx, "bot staff needs a stop of this program", "err", err)
		return nil
	}
	stop := context.AfterFunc(ctx, func() { h.told(ctx, listener.Close()) })
	defer stop()
	for {
		conn, err := listener.Accept()
		switch {
		case ctx.Err() != nil:
			if err == nil {
				h.told(ctx, conn.Close())
			}
			return nil
		case err != nil:
			h.told(ctx, err)
			select {
			case <-ctx.Done():
			case <-time.After(time.Second):
			}
			continue
		}
		h.told(ctx, errors.Join(h.hear(ctx, conn), conn.Close()))
	}
}

// told logs what went wrong between this program and bot staff.
func (h *house) told(ctx context.Context, err error) {
	if err != nil && !errors.Is(err, net.ErrClosed) {
		h.keeper.Log.WarnContext(ctx, "bot staff was not answered", "err", err)
	}
}

// hear carries out one order.
func (h *house) hear(ctx context.Context, conn net.Conn) error {
	ctx, cancel := context.WithTimeout(ctx, orderTime)
	defer cancel()
	if err := conn.SetDeadline(time.Now().Add(orderTime)); err != nil {
		return err
	}
	var o staffOrder
	if err := json.NewDecoder(io.LimitReader(conn, orderMost)).Decode(&o); err != nil {
		return err
	}
	var out strings.Builder
	err := o.carryOut(ctx, h.store.members(h.keeper.Now), &out)
	answer := outcome{Out: out.String()}
	if err != nil {
		answer.Err = err.Error()
	}
	return json.NewEncoder(conn).Encode(answer)
}

// listenIn opens the socket of a folder that this process holds. One that was
// left behind by a process that is dead is taken away. In a folder that others
// may enter there is none: whoever reaches the socket decides who is staff.
func listenIn(ctx context.Context, dir string) (net.Listener, error) {
	info, err := os.Stat(dir)
	if err != nil {
		return nil, err
	}
	if info.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("the folder %s can be entered by other users of this machine: chmod 700 it", dir)
	}
	path := filepath.Join(dir, staffSocket)
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	listener, err := (&net.ListenConfig{}).Listen(ctx, "unix", path)
	if err != nil {
		return nil, err // a name longer than some 100 bytes is none for a socket
	}
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, errors.Join(err, listener.Close())
	}
	return listener, nil
}

// askHolder lets the program that holds a folder carry out an order. held says
// who that is.
func askHolder(ctx context.Context, at place, o staffOrder, w io.Writer, held error) error {
	ctx, cancel := context.WithTimeout(ctx, orderTime)
	defer cancel()
	conn, err := (&net.Dialer{}).DialContext(ctx, "unix", filepath.Join(at.dir, staffSocket))
	if err != nil {
		return fmt.Errorf("%w; it can't be asked (%w): stop it, then run this again", held, err)
	}
	answer, err := ask(conn, o)
	if err = errors.Join(err, conn.Close()); err != nil {
		return fmt.Errorf("the program that holds the folder does not answer: %w; look with `bot staff list` whether it was done", err)
	}
	if _, err := io.WriteString(w, answer.Out); err != nil {
		return err
	}
	if answer.Err != "" {
		return errors.New(answer.Err)
	}
	return nil
}

func ask(conn net.Conn, o staffOrder) (answer outcome, err error) {
	if err := conn.SetDeadline(time.Now().Add(orderTime)); err != nil {
		return answer, err
	}
	if err := json.NewEncoder(conn).Encode(o); err != nil {
		return answer, err
	}
	return answer, json.NewDecoder(conn).Decode(&answer)
}
