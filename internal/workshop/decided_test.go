package workshop_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

func redate(code events.Code, date string) workshop.Redate {
	return workshop.Redate{Code: code, Date: day(date), Reason: "smells of the fridge"}
}

func TestAnybodyOfTheWorkshopMayShortenADate(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	b.as = maker
	b.do(redate(b.batch, "2026-12-02"))
	require.Equal(t, day("2026-12-02"), *b.set.Ganache(b.batch).Expiry.Date)
	require.Equal(t, day("2026-12-02"), *b.set.Run(b.domes).Expiry.Date, "the pieces that were filled with it")
	require.Equal(t, day("2026-12-02"), *b.lines(b.domes, "counter")[0].Dates.Date)
	require.Equal(t, "shop_limit", b.set.Run(b.domes).Expiry.Binds)

	b.do(redate(b.domes, "2026-12-01"))
	require.Equal(t, []string{"redated"}, b.types())
	require.Equal(t, day("2026-12-02"), *b.set.Ganache(b.batch).Expiry.Date, "not what they were made of")
}

func TestALaterDateIsTheOwnersAndTakesBackDecisionsOnly(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.do(redate(b.domes, "2026-12-01"))
	b.as = maker
	require.Equal(t, workshop.RefusedForbidden, b.refuse(redate(b.domes, "2026-12-05")).Slug)
	b.as = owner
	b.do(redate(b.domes, "2026-12-05"))
	require.Equal(t, day("2026-12-05"), *b.set.Run(b.domes).Expiry.Date)
	require.Equal(t, day("2026-12-01"), *last[events.Redated](b.shop).Old)
	require.Contains(t, b.refuse(redate(b.domes, "2026-12-20")).Detail, "assessment binds it to 2026-12-08")
	b.do(redate(b.domes, "2026-12-08"))
	require.Equal(t, day("2026-12-08"), *b.set.Run(b.domes).Expiry.Date, "as if nobody had said anything")

	require.Contains(t, b.refuse(redate(b.domes, "2026-12-08")).Detail, "already")
	require.EqualValues(t, "wrong-kind-of-thing", b.refuse(redate(b.charge, "2026-12-08")).Slug)
	require.EqualValues(t, "unknown-code", b.refuse(redate(strange(events.KindRun), "2026-12-08")).Slug)
}
