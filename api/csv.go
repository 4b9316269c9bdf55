package api

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// The media types that an answer may have beside JSON.
const (
	mediaCSV   = "text/csv"
	mediaEPCIS = "application/ld+json"
)

// inForm is an answer in another form than JSON.
type inForm struct {
	mediaType string
	body      []byte
}

func (f inForm) write(w http.ResponseWriter) error {
	w.Header().Set("Content-Type", f.mediaType)
	w.WriteHeader(http.StatusOK)
	_, err := w.Write(f.body)
	return err
}

// These methods are how the generated code asks for it.

func (f inForm) VisitTraceBackResponse(w http.ResponseWriter) error       { return f.write(w) }
func (f inForm) VisitTraceForwardResponse(w http.ResponseWriter) error    { return f.write(w) }
func (f inForm) VisitTraceCandidatesResponse(w http.ResponseWriter) error { return f.write(w) }
func (f inForm) VisitGetBalanceResponse(w http.ResponseWriter) error      { return f.write(w) }
func (f inForm) VisitGetBalancesResponse(w http.ResponseWriter) error     { return f.write(w) }

// A sheet is a table as RFC 4180 writes it, with a header row and lines that end in CRLF.
type sheet struct {
	text   bytes.Buffer
	writer *csv.Writer
}

func newSheet(header ...string) *sheet {
	s := &sheet{}
	s.writer = csv.NewWriter(&s.text)
	s.writer.UseCRLF = true
	_ = s.writer.Write(header) // into memory
	return s
}

// row adds a line of texts, numbers, times and days; nil is an empty cell.
func (s *sheet) row(cells ...any) {
	line := make([]string, len(cells))
	for i, c := range cells {
		line[i] = cell(c)
	}
	_ = s.writer.Write(line)
}

func (s *sheet) answer() inForm {
	s.writer.Flush()
	return inForm{mediaType: mediaCSV + "; charset=utf-8; header=present", body: s.text.Bytes()}
}

func cell(value any) string {
	switch v := value.(type) {
	case nil:
		return ""
	case string:
		return harmless(v)
	case *string:
		return harmless(valueOf(v))
	case int:
		return strconv.Itoa(v)
	case int64:
		return strconv.FormatInt(v, 10)
	case *int64:
		if v == nil {
			return ""
		}
		return strconv.FormatInt(*v, 10)
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	case *float64:
		if v == nil {
			return ""
		}
		return cell(*v)
	case events.Mass:
		return v.Grams()
	case time.Time:
		return events.FormatTime(v)
	case *civil.Day:
		if v == nil {
			return ""
		}
		return v.String()
	}
	return harmless(fmt.Sprint(value))
}

// formulaStarts are the characters that make a spreadsheet take a cell for a formula, the full-width ones among them.
const formulaStarts = "=+-@\t\r\n＝＋－＠"

// harmless is a text that no spreadsheet works out: an apostrophe before it makes it a text.
func harmless(text string) string {
	if text != "" && strings.ContainsRune(formulaStarts, []rune(text)[0]) {
		return "'" + text
	}
	return text
}
