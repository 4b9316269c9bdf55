package pgboot

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is the user that the server runs as: ourselves, or, since PostgreSQL refuses to run as root, another one when we are root.
type account struct {
	name     string
	uid, gid int
	drop     bool // we are root and the server is not
}

// serverAccount chooses the user: as root the owner of the cluster if there is one, else postgres, else nobody. Each has a line in
// the passwd file: initdb fails for a number without one.
func serverAccount(cluster string) (account, error) {
	owner, exists, err := ownerOf(cluster)
	if err != nil {
		return account{}, err
	}
	if me := os.Geteuid(); me != 0 {
		if exists && owner != me {
			return account{}, fmt.Errorf("postgres: %s belongs to user %d and this program runs as user %d: run it as that user, or choose another data folder", cluster, owner, me)
		}
		return account{name: strconv.Itoa(me), uid: me, gid: os.Getegid()}, nil
	}
	if exists && owner != 0 {
		if u, err := user.LookupId(strconv.Itoa(owner)); err == nil {
			return dropTo(u)
		}
	}
	for _, name := range []string{"postgres", "nobody"} {
		if u, err := user.Lookup(name); err == nil {
			return dropTo(u)
		}
	}
	return account{}, errors.New("postgres: started as root, and there is neither a user postgres nor nobody that the server could run as: " +
		"start this program as an ordinary user, or add one with useradd --system postgres")
}

func dropTo(u *user.User) (account, error) {
	uid, errUID := strconv.Atoi(u.Uid)
	gid, errGID := strconv.Atoi(u.Gid)
	if err := errors.Join(errUID, errGID); err != nil {
		return account{}, fmt.Errorf("postgres: user %s: %w", u.Username, err)
	}
	return account{name: u.Username, uid: uid, gid: gid, drop: true}, nil
}

func ownerOf(path string) (uid int, exists bool, err error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, fmt.Errorf("postgres: whose is the data folder: %w", err)
	}
	return int(info.Sys().(*syscall.Stat_t).Uid), true, nil
}

// attributes start a process as this user in a session of its own, where a terminal's Ctrl-C does not reach it.
func (a account) attributes() *syscall.SysProcAttr {
	attr := &syscall.SysProcAttr{Setsid: true}
	if a.drop {
		attr.Credential = &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid)}
	}
	return attr
}

// own gives a file, or a folder with all in it, to this user, unless it is theirs already.
func (a account) own(path string) error {
	if owner, _, err := ownerOf(path); err != nil || !a.drop || owner == a.uid {
		return err
	}
	err := filepath.WalkDir(path, func(path string, _ fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return os.Lchown(path, a.uid, a.gid)
	})
	if err != nil {
		return fmt.Errorf("postgres: give %s to user %s: %w", path, a.name, err)
	}
	return nil
}

// reaches checks that every folder above a path, and the path itself, lets this user through.
func (a account) reaches(path string) error {
	if !a.drop {
		return nil
	}
	for at := path; ; at = filepath.Dir(at) {
		info, err := os.Stat(at)
		if err != nil {
			return fmt.Errorf("user %s cannot reach it: %w", a.name, err)
		}
		if !a.passes(info) {
			return fmt.Errorf("%s (mode %04o) does not let user %s through", at, info.Mode().Perm(), a.name)
		}
		if at == filepath.Dir(at) {
			return nil
		}
	}
}

func (a account) passes(info fs.FileInfo) bool {
	is, mode := info.Sys().(*syscall.Stat_t), info.Mode()
	switch {
	case int(is.Uid) == a.uid:
		return mode&0o100 != 0
	case int(is.Gid) == a.gid:
		return mode&0o010 != 0
	}
	return mode&0o001 != 0
}
