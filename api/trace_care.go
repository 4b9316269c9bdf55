package api

import (
	"context"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// addCare puts beside everything on a trace what was found of it, what stood against it and what was decided, who wrote
// it down and how late, and what of that was put right since. It takes two more questions, whatever the size of the trace.
func (t traced) addCare(ctx context.Context, nodes []openapi.TraceNode, edges []openapi.TraceEdge) error {
	codes, positions := make([]events.Code, 0, len(t.Nodes)), []int64{}
	for _, n := range t.Nodes {
		codes, positions = append(codes, n.Code), append(positions, n.Position)
	}
	for _, e := range t.Edges {
		positions = append(positions, e.Position)
	}
	slices.Sort(positions)
	records, err := projections.RecordsOf(ctx, t.h.pool, slices.Compact(positions))
	if err != nil {
		return err
	}
	care, err := t.care(ctx, codes)
	if err != nil {
		return err
	}
	c := caring{actors: momentSees(ctx), nodes: map[string]*openapi.TraceNode{}}
	for i := range nodes {
		c.nodes[nodes[i].Code] = &nodes[i]
	}
	for _, n := range t.Nodes {
		if node, on := c.nodes[string(n.Code)], records[n.Position]; node != nil {
			node.Recorded = pointerTo(c.record(on.ID, on.OccurredAt, on.RecordedAt, on.Actor))
		}
	}
	c.addRecorders(t.Trace, edges, records)
	for _, r := range workshop.AsCorrected(care.Events, true) {
		if t.hasOccurred(r.Recorded) {
			c.add(r, care.Took[r.ID])
		}
	}
	return nil
}

// momentSees says whether the caller is told who wrote things down: owners and auditors are.
func momentSees(ctx context.Context) bool { return actorOf(ctx).Is(roleOwner, roleAuditor) }

// caring is a trace's nodes on their way to be told with care.
type caring struct {
	actors bool
	nodes  map[string]*openapi.TraceNode
}

func (c caring) record(id uuid.UUID, occurred, recorded time.Time, actor string) openapi.TraceRecord {
	r := openapi.TraceRecord{Event: id, OccurredAt: occurred, RecordedAt: recorded, LateSeconds: int64(math.Floor(recorded.Sub(occurred).Seconds()))}
	if c.actors {
		r.Actor = &actor
	}
	return r
}

func (c caring) recordOf(r workshop.PutRight) openapi.TraceRecord {
	told := c.record(r.ID, r.OccurredAt, r.RecordedAt, r.Actor)
	if r.Wrong != nil {
		told.CorrectedBy, told.CorrectedAt = &r.Wrong.ID, &r.Wrong.RecordedAt
	}
	return told
}

// addRecorders tells of each edge every time that some of it went over.
func (c caring) addRecorders(trace projections.Trace, edges []openapi.TraceEdge, records map[int64]projections.Record) {
	at := map[[2]string]*openapi.TraceEdge{}
	for i := range edges {
		at[[2]string{edges[i].From, edges[i].To}] = &edges[i]
	}
	last := map[*openapi.TraceEdge]int64{}
	for _, e := range trace.Edges {
		edge, r := at[[2]string{string(e.From), string(e.To)}], records[e.Position]
		if edge == nil || last[edge] == e.Position {
			continue
		}
		last[edge] = e.Position
		edge.Recorded = append(edge.Recorded, c.record(r.ID, r.OccurredAt, r.RecordedAt, r.Actor))
	}
}

// add puts one event beside every node that it concerns; took is what it took in, if it placed a hold.
func (c caring) add(r workshop.PutRight, took []events.Code) {
	switch e := r.Data.(type) {
	case events.Checked:
		if node := c.nodes[string(e.Code)]; node != nil {
			node.Checks = append(node.Checks, openapi.TraceCheck{
				Kind: openapi.CheckKind(e.Kind), Value: e.Value, Result: optional(openapi.TraceCheckResult(e.Result)), Uncertainty: e.Uncertainty,
				Method: optional(e.Method), Document: optional(e.Document), Instrument: optional(e.Instrument), Recorded: c.recordOf(r),
			})
		}
	case events.DeviationOpened:
		if node := c.nodes[string(e.Code)]; node != nil {
			node.Deviations = append(node.Deviations, openapi.TraceDeviation{
				ID: r.ID, Concern: openapi.TraceDeviationConcern(e.Concern), Rule: e.Rule, Detail: e.Detail, Value: e.Value, Recorded: c.recordOf(r),
			})
		}
	case events.DeviationDecided:
		c.decide(r, e)
	case events.HoldPlaced:
		slices.SortFunc(took, events.Code.Compare)
		for _, code := range slices.Compact(took) {
			if node := c.nodes[string(code)]; node != nil {
				node.Holds = append(node.Holds, openapi.TraceHold{ID: r.ID, Reason: e.Reason, Cause: optional(e.Cause), Recorded: c.recordOf(r)})
			}
		}
	case events.HoldLifted:
		c.lift(r, e)
	}
}

func (c caring) decide(r workshop.PutRight, e events.DeviationDecided) {
	for _, node := range c.nodes {
		for i := range node.Deviations {
			if node.Deviations[i].ID == e.Deviation {
				node.Deviations[i].Decision = &openapi.TraceDecision{
					Decision: openapi.TraceDecisionDecision(e.Decision), Reason: e.Reason, Date: e.Date, Recorded: c.recordOf(r),
				}
			}
		}
	}
}

// lift tells of a hold that it was lifted.
func (c caring) lift(r workshop.PutRight, e events.HoldLifted) {
	for _, code := range e.Codes {
		node := c.nodes[string(code)]
		if node == nil {
			continue
		}
		for i := range node.Holds {
			if node.Holds[i].ID == e.Hold {
				node.Holds[i].Lifted = &openapi.TraceHoldLifted{Reason: e.Reason, Recorded: c.recordOf(r)}
			}
		}
	}
}
