package api

import (
	"mime"
	"strconv"
	"strings"

	"firstout/internal/workshop"
)

// acceptable says which of the media types there are an Accept header (RFC 9110, section 12.5.1) likes best: of those it
// likes as well as each other the one that it names most closely, then the first. Problems are sent whatever it says.
func acceptable(accept, available []string) (string, error) {
	if len(accept) == 0 {
		return first(available), nil
	}
	best := map[string]preference{}
	for entry := range strings.SplitSeq(strings.Join(accept, ","), ",") {
		wanted, parameters, err := mime.ParseMediaType(entry)
		if err != nil {
			continue // what cannot be read is not asked for
		}
		quality, err := strconv.ParseFloat(parameters["q"], 64)
		if err != nil {
			quality = 1
		}
		for _, mediaType := range available {
			if p := (preference{specific: matches(wanted, mediaType), quality: quality}); p.specific > best[mediaType].specific {
				best[mediaType] = p
			}
		}
	}
	chosen, liked := "", preference{}
	for _, mediaType := range available {
		if p := best[mediaType]; p.quality > liked.quality || p.quality > 0 && p.quality == liked.quality && p.specific > liked.specific {
			chosen, liked = mediaType, p
		}
	}
	if chosen != "" {
		return chosen, nil
	}
	return "", &problem{
		slug:   slugNotAcceptable,
		detail: "This address answers with " + strings.Join(available, " or ") + " only: accept it, or leave the Accept header out.",
		facts:  workshop.Facts{"available": available},
	}
}

// first is the media type of who does not care; "" of an answer without a body.
func first(available []string) string {
	if len(available) == 0 {
		return ""
	}
	return available[0]
}

// A preference is what the most specific range that fits a media type says of it.
type preference struct {
	specific int
	quality  float64
}

// matches tells how closely a media range fits: 3 named, 2 its kind, 1 anything, 0 not at all.
func matches(wanted, mediaType string) int {
	kind, _, _ := strings.Cut(mediaType, "/")
	switch wanted {
	case mediaType:
		return 3
	case kind + "/*":
		return 2
	case "*/*":
		return 1
	}
	return 0
}
