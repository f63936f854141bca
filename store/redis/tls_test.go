package redis

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/tests/redis/servers"
)

// certificate makes a certificate for a name, signed by itself, and returns its file and its key's.
func certificate(t *testing.T, name string) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	about := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	raw, err := x509.CreateCertificate(rand.Reader, about, about, &private.PublicKey, private)
	secret, kerr := x509.MarshalECPrivateKey(private)
	if err := errors.Join(err, kerr); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	err = os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: raw}), 0o600)
	kerr = os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: secret}), 0o600)
	if err := errors.Join(err, kerr); err != nil {
		t.Fatal(err)
	}
	return cert, key
}

// TLS is spoken, from version 1.2 on, and only to the host that the
// certificate names.
func TestTLS(t *testing.T) {
	cert, key := certificate(t, "localhost")
	other, _ := certificate(t, "localhost")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	server := servers.Start(t, fmt.Sprint("tls-port ", port), "tls-cert-file "+cert, "tls-key-file "+key, "tls-auth-clients no")
	at := func(scheme, host, ca string) error {
		_, err := try(fmt.Sprintf("%s://bot@%s:%d?password-file=%s%s", scheme, host, port, server.Grant(t), ca), Options{Patience: time.Second})
		return err
	}
	if err := at("rediss", "localhost", "&ca-file="+cert); err != nil {
		t.Error(err)
	}
	for name, err := range map[string]error{
		"another host's name":       at("rediss", "127.0.0.1", "&ca-file="+cert),
		"another's certificate":     at("rediss", "localhost", "&ca-file="+other),
		"nobody trusts it":          at("rediss", "localhost", ""),
		"plain where TLS is spoken": at("redis", "localhost", ""),
		"no certificate in it":      at("rediss", "localhost", "&ca-file="+key),
		"TLS was not asked for":     at("redis", "localhost", "&ca-file="+cert),
	} {
		if err == nil || strings.Contains(err.Error(), servers.Password) {
			t.Errorf("%s: got %v", name, err)
		}
	}
	a, err := ParseAddress("rediss://localhost?ca-file=" + cert)
	if err != nil {
		t.Fatal(err)
	}
	if c, err := tlsOf(a); err != nil || c.MinVersion != tls.VersionTLS12 || c.InsecureSkipVerify {
		t.Errorf("got %+v, %v", c, err)
	}
}
