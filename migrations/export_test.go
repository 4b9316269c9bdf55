package migrations

import (
	"context"

	"github.com/pressly/goose/v3/lock"
)

// LockID is held by who migrates.
const LockID = lock.DefaultLockID

// EnsureRolesNamed is EnsureRoles for roles that no other test has.
func EnsureRolesNamed(ctx context.Context, superuserURL, owner, app string, a Access) error {
	return roles{owner: owner, app: app}.ensure(ctx, superuserURL, a)
}

// Files are the steps themselves.
var Files = files

// The same with steps of the test's own.
var (
	UpWith    = up
	CheckWith = check
)
