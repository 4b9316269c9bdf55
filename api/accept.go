package api

import (
	"mime"
	"strconv"
	"strings"

	"firstout/internal/workshop"
)

// acceptable says whether an Accept header (RFC 9110, section 12.5.1) takes one of the media types there are. Problems are sent
// whatever it says.
func acceptable(accept, available []string) error {
	if len(accept) == 0 {
		return nil
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
	for _, p := range best {
		if p.quality > 0 {
			return nil
		}
	}
	return &problem{
		slug:   slugNotAcceptable,
		detail: "This address answers with " + strings.Join(available, " or ") + " only: accept it, or leave the Accept header out.",
		facts:  workshop.Facts{"available": available},
	}
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
