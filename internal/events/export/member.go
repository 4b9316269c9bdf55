package export

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
)

// packing is gzip's own middle way: events repeat themselves so much that more effort gains a few per cent.
const packing = gzip.DefaultCompression

// A counter stands in front of a file: it counts and hashes what is written.
type counter struct {
	to  io.Writer
	n   int64
	sum hash.Hash
}

func (c *counter) Write(p []byte) (int, error) {
	n, err := c.to.Write(p)
	c.n += int64(n)
	c.sum.Write(p[:n])
	return n, err
}

// A source reads a file byte by byte, as unpacking does so as not to read past its member's end, and counts and hashes
// what was taken from it.
type source struct {
	from  *bufio.Reader
	n     int64
	sum   hash.Hash
	taken []byte // not hashed yet
}

func newSource(r io.Reader) *source {
	return &source{from: bufio.NewReaderSize(r, 64<<10), sum: sha256.New(), taken: make([]byte, 0, 8<<10)}
}

// ReadByte makes it an io.ByteReader, of which package flate takes no byte more than it needs.
func (s *source) ReadByte() (byte, error) {
	b, err := s.from.ReadByte()
	if err != nil {
		return 0, err
	}
	if len(s.taken) == cap(s.taken) {
		s.hash()
	}
	s.taken = append(s.taken, b)
	s.n++
	return b, nil
}

func (s *source) Read(p []byte) (int, error) {
	n, err := s.from.Read(p)
	s.hash()
	s.sum.Write(p[:n])
	s.n += int64(n)
	return n, err
}

func (s *source) hash() {
	s.sum.Write(s.taken)
	s.taken = s.taken[:0]
}

// sha256 is of all bytes taken so far.
func (s *source) sha256() Hex {
	s.hash()
	return s.sum.Sum(nil)
}

// mayBeOurs says whether a file begins as gzip does, as far as it goes.
func (s *source) mayBeOurs() bool {
	begins := []byte{0x1f, 0x8b}
	first, _ := s.from.Peek(len(begins))
	return bytes.Equal(first, begins[:len(first)])
}

// ended says whether nothing follows.
func (s *source) ended() bool {
	_, err := s.from.Peek(1)
	return err == io.EOF
}

// endMember is the last member of a file: it says how long the file is before it and what the SHA-256 of that is. It is
// not packed but laid into the gzip format as it is (RFC 1952, and RFC 1951, section 3.2.4), so that its bytes follow
// from what it says and none of them can be another.
func endMember(n int64, sum Hex) []byte {
	text := fmt.Appendf(nil, "end %d sha256 %x\n", n, []byte(sum))
	member := []byte{0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255} // gzip, deflate, no flags, no time, unknown system
	member = append(member, 1)                             // the last block, stored
	member = binary.LittleEndian.AppendUint16(member, uint16(len(text)))
	member = binary.LittleEndian.AppendUint16(member, ^uint16(len(text)))
	member = append(member, text...)
	member = binary.LittleEndian.AppendUint32(member, crc32.ChecksumIEEE(text))
	return binary.LittleEndian.AppendUint32(member, uint32(len(text)))
}
