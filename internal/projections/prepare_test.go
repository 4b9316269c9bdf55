package projections_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
	"firstout/internal/projections"
)

func TestPostgreSQLPreparesEveryQuery(t *testing.T) {
	t.Parallel()
	conn, err := pgtest.New(t).App.Acquire(t.Context())
	require.NoError(t, err)
	defer conn.Release()
	for name, sql := range projections.Statements {
		_, err := conn.Conn().Prepare(t.Context(), name, sql)
		require.NoError(t, err, name)
	}
}
