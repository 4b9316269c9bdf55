package backup

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// unfinished is what the name of a file ends in until all of it is there.
const unfinished = ".part"

// ToFile writes the book into a file, which stands there whole or as it was before. It is written beside it first, and
// what an earlier try that was cut short has left there is gone on with; else what is in the file itself, and else, if
// from is named, what is in that one. All must be files of this book: others are left as they are, with an error.
func ToFile(ctx context.Context, db DB, path, from string) (Report, error) {
	part, err := lockedPart(path + unfinished)
	if err != nil {
		return Report{}, err
	}
	defer part.Close()
	report, err := writePart(ctx, db, part, path, from)
	if other := new(OtherBookError); errors.As(err, &other) && other.unfinished {
		if err := cutTo(part, 0); err != nil { // of another book, and of no use to anybody
			return Report{}, err
		}
		report, err = writePart(ctx, db, part, path, from)
	}
	if err != nil {
		if left, statErr := part.Stat(); statErr == nil && left.Size() == 0 {
			err = errors.Join(err, os.Remove(part.Name()))
		}
		return Report{}, err
	}
	if err := os.Rename(part.Name(), path); err != nil {
		return Report{}, fmt.Errorf("backup: %w", err)
	}
	return report, syncFolder(filepath.Dir(path))
}

// writePart writes the whole file under its first name.
func writePart(ctx context.Context, db DB, part *os.File, path, from string) (Report, error) {
	kept, err := keepable(part)
	if err == nil && kept != nil { // it is where it belongs
		if err := cutTo(part, kept.Bytes); err != nil {
			return Report{}, err
		}
		report, err := writeThrough(ctx, db, part, old{kept: kept})
		if other := new(OtherBookError); errors.As(err, &other) {
			other.unfinished = true
		}
		return report, err
	}
	if err := cutTo(part, 0); err != nil { // what cannot be read of it is written anew
		return Report{}, err
	}
	older, err := olderFile(path, from)
	if err != nil {
		return Report{}, err
	}
	if older.file != nil {
		defer older.file.Close()
	}
	return writeThrough(ctx, db, part, older)
}

// writeThrough writes to the disk. What is there of a file that could not be finished can be gone on with.
func writeThrough(ctx context.Context, db DB, part *os.File, older old) (Report, error) {
	out := bufio.NewWriterSize(part, 256<<10)
	report, err := write(ctx, db, out, older)
	if err := errors.Join(err, out.Flush(), part.Sync()); err != nil {
		return Report{}, err
	}
	return report, nil
}

// WriteFrom is Write that goes on with the file from.
func WriteFrom(ctx context.Context, db DB, to io.Writer, from string) (Report, error) {
	file, err := os.Open(from)
	if err != nil {
		return Report{}, fmt.Errorf("backup: %w", err)
	}
	defer file.Close()
	kept, err := keepable(file)
	if err != nil {
		return Report{}, fmt.Errorf("backup: go on with %s: %w", from, err)
	}
	if kept == nil {
		return Write(ctx, db, to)
	}
	return write(ctx, db, to, old{file: file, kept: kept})
}

// lockedPart opens the file that is written, for one process at a time. It holds what nobody else should read: hashes of
// keys, and everything of the book.
func lockedPart(path string) (*os.File, error) {
	for {
		part, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			return nil, fmt.Errorf("backup: %w", err)
		}
		if err := syscall.Flock(int(part.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
			part.Close()
			return nil, fmt.Errorf("backup: %s is being written by another process: wait for its end", path)
		}
		mine, err := part.Stat()
		there, gone := os.Stat(path)
		if err == nil && gone == nil && os.SameFile(mine, there) {
			return part, nil
		}
		part.Close() // another process has finished it meanwhile and given it its name
	}
}

// olderFile finds what is gone on with: the file of that name, or else the one named besides.
func olderFile(path, from string) (old, error) {
	for _, name := range []string{path, from} {
		if name == "" {
			continue
		}
		file, err := os.Open(name)
		if errors.Is(err, fs.ErrNotExist) && name != from {
			continue
		}
		if err != nil {
			return old{}, fmt.Errorf("backup: %w", err)
		}
		kept, err := keepable(file)
		if err == nil && kept != nil {
			return old{file: file, kept: kept}, nil
		}
		file.Close()
		if err != nil {
			return old{}, fmt.Errorf("backup: go on with %s: %w: put it aside, and begin a new one", name, err)
		}
	}
	return old{}, nil
}

func cutTo(file *os.File, size int64) error {
	err := file.Truncate(size)
	if err == nil {
		_, err = file.Seek(size, io.SeekStart)
	}
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	return nil
}

// syncFolder makes the new name last through a power cut.
func syncFolder(path string) error {
	folder, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	defer folder.Close()
	if err := folder.Sync(); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	return nil
}
