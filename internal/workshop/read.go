package workshop

// Read works something out of a set without changing it. What it looked at and was not loaded is told instead: load it and
// read again.
func Read[T any](set *Set, work func(*Set) T) (found T, lacks []Need) {
	defer func() {
		if thrown := recover(); thrown != nil {
			lack, is := thrown.(missing)
			if !is {
				panic(thrown)
			}
			lacks = lack.needs
		}
	}()
	return work(set), nil
}
