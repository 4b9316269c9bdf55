package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// certificate makes a certificate of 127.0.0.1 that is its own authority, in two files.
func certificate(t *testing.T) (certFile, keyFile string, trusted *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "counter"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	made, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	private, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	dir := t.TempDir()
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	inPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: made})
	require.NoError(t, os.WriteFile(certFile, inPEM, 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}), 0o600))
	trusted = x509.NewCertPool()
	require.True(t, trusted.AppendCertsFromPEM(inPEM))
	return certFile, keyFile, trusted
}

// TestServeSpeaksTLS: with a certificate, and nothing older than TLS 1.2.
func TestServeSpeaksTLS(t *testing.T) {
	t.Parallel()
	certFile, keyFile, trusted := certificate(t)
	address := strings.TrimPrefix(served(t, environment(t, "FIRSTOUT_TLS_CERT="+certFile, "FIRSTOUT_TLS_KEY="+keyFile)), "http://")
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trusted, MinVersion: tls.VersionTLS12}, ForceAttemptHTTP2: true}}
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "https://"+address+"/readyz", nil)
	require.NoError(t, err)
	response, err := client.Do(request)
	require.NoError(t, err)
	require.NoError(t, response.Body.Close())
	client.CloseIdleConnections()
	require.Equal(t, http.StatusOK, response.StatusCode)
	require.Equal(t, 2, response.ProtoMajor)
	require.Equal(t, "counter", response.TLS.PeerCertificates[0].Subject.CommonName)

	for _, old := range []uint16{tls.VersionTLS10, tls.VersionTLS11} {
		dialer := &tls.Dialer{Config: &tls.Config{RootCAs: trusted, MinVersion: old, MaxVersion: old}}
		_, err := dialer.DialContext(t.Context(), "tcp", address)
		require.ErrorContains(t, err, "protocol version")
	}
	status, body := get(t, "http://"+address+"/healthz", "")
	require.Equal(t, http.StatusBadRequest, status, "no key is taken in the clear")
	require.Contains(t, body, "HTTPS")
}

// TestCertificatesThatAreNone are told before anything is started, with the setting and the file.
func TestCertificatesThatAreNone(t *testing.T) {
	t.Parallel()
	certFile, keyFile, _ := certificate(t)
	_, otherKey, _ := certificate(t)
	empty := filepath.Join(t.TempDir(), "empty.pem")
	require.NoError(t, os.WriteFile(empty, nil, 0o600))
	for name, c := range map[string]struct {
		args []string
		said []string
	}{
		"half of it":        {[]string{"--tls-cert", certFile}, []string{"both a certificate file and a key file", "FIRSTOUT_TLS_KEY"}},
		"the other half":    {[]string{"--tls-key", keyFile}, []string{"both a certificate file and a key file", "FIRSTOUT_TLS_CERT"}},
		"no such file":      {[]string{"--tls-cert", certFile + "x", "--tls-key", keyFile}, []string{"FIRSTOUT_TLS_CERT", certFile + "x", "no such file"}},
		"no such key":       {[]string{"--tls-cert", certFile, "--tls-key", keyFile + "x"}, []string{keyFile + "x", "no such file"}},
		"a folder":          {[]string{"--tls-cert", filepath.Dir(certFile), "--tls-key", keyFile}, []string{"is a directory"}},
		"an empty file":     {[]string{"--tls-cert", empty, "--tls-key", keyFile}, []string{empty, "failed to find any PEM data"}},
		"another one's key": {[]string{"--tls-cert", certFile, "--tls-key", otherKey}, []string{"private key does not match public key"}},
	} {
		err := run(t.Context(), append([]string{"serve"}, c.args...), environment(t), io.Discard)
		for _, part := range c.said {
			require.ErrorContains(t, err, part, name)
		}
	}
}

// TestLoopbackOnly: without TLS and without a proxy that ends it, serve does not even open the database for another
// address; a name is looked at once it is known what it stands for.
func TestLoopbackOnly(t *testing.T) {
	t.Parallel()
	for _, address := range []string{"0.0.0.0:0", "[::]:0", ":0", "192.0.2.1:0", "example.test:0"} {
		err := run(t.Context(), []string{"serve", "--addr", address}, environment(t), io.Discard)
		require.ErrorContains(t, err, "not on loopback", address)
		require.ErrorContains(t, err, "FIRSTOUT_BEHIND_PROXY", address)
	}
	base := served(t, environment(t), "--addr", "localhost:0")
	status, _ := get(t, base+"/healthz", "")
	require.Equal(t, http.StatusOK, status)
	require.ErrorContains(t, Config{Addr: "localhost:0"}.checkHost("192.0.2.1"), "not on loopback")
}
