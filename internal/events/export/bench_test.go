package export_test

import "testing"

func BenchmarkRead(b *testing.B) {
	file := whole(b, 1064)
	for b.Loop() {
		if _, _, err := read(file); err != nil {
			b.Fatal(err)
		}
	}
}
