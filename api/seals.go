package api

import (
	"context"
	"fmt"
	"net/http"

	"firstout/api/openapi"
	"firstout/internal/events/eventlog"
	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
	"firstout/internal/workshop"
)

// sealRoutes begin the addresses that speak of the seal.
const sealRoutes = "/v1/log/"

const mediaText = "text/plain"

// GetCheckpoint answers the newest signed checkpoint as a file to take away.
func (h *handlers) GetCheckpoint(ctx context.Context, _ openapi.GetCheckpointRequestObject) (openapi.GetCheckpointResponseObject, error) {
	newest, found, err := sealer.Newest(ctx, h.pool)
	if err != nil {
		return nil, err
	}
	if !found {
		return nil, h.notSealed(ctx, "Nothing of this book is sealed yet.")
	}
	asFile(ctx, fmt.Sprintf("checkpoint-%d.txt", newest.Size))
	return asText(newest.Note), nil
}

// GetVerifierKey answers the public half of the key that seals.
func (h *handlers) GetVerifierKey(ctx context.Context, _ openapi.GetVerifierKeyRequestObject) (openapi.GetVerifierKeyResponseObject, error) {
	if h.verifierKey == "" {
		return nil, h.notSealed(ctx, "This server has no key to seal with.")
	}
	asFile(ctx, "verifier-key.txt")
	return asText(h.verifierKey + "\n"), nil
}

// ProveInclusion proves that an event is in the log.
func (h *handlers) ProveInclusion(ctx context.Context, r openapi.ProveInclusionRequestObject) (openapi.ProveInclusionResponseObject, error) {
	position := r.Params.Position
	size, err := h.sealedSize(ctx, r.Params.Size, position)
	if err != nil {
		return nil, err
	}
	if position > size {
		return nil, impossible(misfit{Pointer: "/query/size", Detail: "expected at least the position, or nothing for the newest checkpoint's"})
	}
	proof, err := seal.ProveInclusion(position, size, sealer.StoredHashes(ctx, h.pool))
	if err != nil {
		return nil, err
	}
	signed, found, err := sealer.OfSize(ctx, h.pool, size)
	if err != nil {
		return nil, err
	}
	if callOf(ctx).accepts == mediaText {
		if !found {
			return nil, h.notSealed(ctx, fmt.Sprintf("No checkpoint was signed of exactly %d events: leave size out, or accept application/json.", size))
		}
		asFile(ctx, fmt.Sprintf("event-%d.tlog-proof", position))
		return asText(proof.Text(signed.Note)), nil
	}
	return h.inclusion(ctx, position, proof, signed)
}

func (h *handlers) inclusion(ctx context.Context, position int64, proof seal.Inclusion, signed sealer.Signed) (openapi.ProveInclusionResponseObject, error) {
	found, err := eventlog.Read(ctx, h.pool, eventlog.Filter{After: position - 1, Limit: 1})
	if err != nil {
		return nil, err
	}
	if len(found) == 0 || found[0].Position != position {
		return nil, fmt.Errorf("position %d is sealed and missing from the log", position)
	}
	root, err := sealer.Root(ctx, h.pool, proof.Size)
	if err != nil {
		return nil, err
	}
	return openapi.ProveInclusion200JSONResponse{
		Position: position, Index: proof.Index, Size: proof.Size, Leaf: seal.Leaf([]byte(found[0].Canonical)).String(),
		Root: root.String(), Hashes: inBase64(proof.Hashes), Checkpoint: textIfAny(signed.Note),
	}, nil
}

// ProveConsistency proves that the log only grew.
func (h *handlers) ProveConsistency(ctx context.Context, r openapi.ProveConsistencyRequestObject) (openapi.ProveConsistencyResponseObject, error) {
	from := r.Params.From
	to, err := h.sealedSize(ctx, r.Params.To, from)
	if err != nil {
		return nil, err
	}
	if from > to {
		return nil, impossible(misfit{Pointer: "/query/to", Detail: "expected at least as many as from, or nothing for the newest checkpoint's"})
	}
	proof, err := seal.ProveConsistency(from, to, sealer.StoredHashes(ctx, h.pool))
	if err != nil {
		return nil, err
	}
	fromRoot, err := sealer.Root(ctx, h.pool, from)
	if err != nil {
		return nil, err
	}
	toRoot, err := sealer.Root(ctx, h.pool, to)
	if err != nil {
		return nil, err
	}
	signed, _, err := sealer.OfSize(ctx, h.pool, to)
	if err != nil {
		return nil, err
	}
	return openapi.ProveConsistency200JSONResponse{
		From: from, To: to, FromRoot: fromRoot.String(), ToRoot: toRoot.String(), Hashes: inBase64(proof.Hashes), Checkpoint: textIfAny(signed.Note),
	}, nil
}

// sealedSize is the size that a proof is asked of, or that of the newest checkpoint; neither it nor what else is named may
// lie beyond that.
func (h *handlers) sealedSize(ctx context.Context, asked *int64, named int64) (int64, error) {
	newest, _, err := sealer.Newest(ctx, h.pool)
	if err != nil {
		return 0, err
	}
	size := newest.Size
	if asked != nil {
		size = *asked
	}
	if max(size, named) > newest.Size || newest.Size == 0 {
		return 0, h.notSealed(ctx, fmt.Sprintf("The seal reaches to position %d, not to %d.", newest.Size, max(size, named)))
	}
	return size, nil
}

// notSealed is the problem of what no checkpoint vouches for. It says how far the seal is.
func (h *handlers) notSealed(ctx context.Context, detail string) error {
	lag, err := sealer.ReadLag(ctx, h.pool)
	if err != nil {
		return err
	}
	facts := workshop.Facts{"sealed": lag.Sealed, "position": lag.Head, "sealing": h.verifierKey != ""}
	if lag.SignedAt != nil {
		facts["signed_at"] = *lag.SignedAt
	}
	switch {
	case h.verifierKey == "":
		detail += " It does not seal: give it a signing key (FIRSTOUT_SEAL_KEY)."
	case lag.Events() > 0:
		detail += " Ask again in half a minute."
	}
	return &problem{slug: slugNotSealed, detail: detail, facts: facts}
}

// newestCheckpoint is what is printed with a report; nil: nothing is sealed, or the caller's key is bound to a site and may not
// know how much there is in the whole book. The report's entity tag does not follow it: an older one is as good.
func (h *handlers) newestCheckpoint(ctx context.Context) (*string, error) {
	if actorOf(ctx).Site != "" {
		return nil, nil
	}
	newest, _, err := sealer.Newest(ctx, h.pool)
	return textIfAny(newest.Note), err
}

// asFile gives the answer a name to be kept under.
func asFile(ctx context.Context, name string) {
	callOf(ctx).header.Set("Content-Disposition", `attachment; filename="`+name+`"`)
}

func asText[T string | []byte](body T) inForm {
	return inForm{mediaType: mediaText + "; charset=utf-8", body: []byte(body)}
}

func (f inForm) VisitGetCheckpointResponse(w http.ResponseWriter) error  { return f.write(w) }
func (f inForm) VisitGetVerifierKeyResponse(w http.ResponseWriter) error { return f.write(w) }
func (f inForm) VisitProveInclusionResponse(w http.ResponseWriter) error { return f.write(w) }

func inBase64(hashes []seal.Hash) []string {
	texts := make([]string, len(hashes))
	for i, h := range hashes {
		texts[i] = h.String()
	}
	return texts
}

func textIfAny(note []byte) *string {
	if note == nil {
		return nil
	}
	return pointerTo(string(note))
}
