package oracle

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// A Fact is one thing that a book says when it is asked: a name that it is asked by, and a text or a number. Numbers
// that rounding may move by a little say by how much.
type Fact struct {
	Name   string
	Text   string
	Number float64
	Slack  float64
}

// Facts are what a book says.
type Facts []Fact

// Say adds a text.
func (f *Facts) Say(name, format string, args ...any) {
	*f = append(*f, Fact{Name: name, Text: fmt.Sprintf(format, args...)})
}

// Measure adds a number, and how far off another book's may be.
func (f *Facts) Measure(name string, number, slack float64) {
	*f = append(*f, Fact{Name: name, Number: number, Slack: slack})
}

func (f Fact) String() string {
	if f.Text == "" {
		return fmt.Sprintf("%s = %.9g", f.Name, f.Number)
	}
	return f.Name + ": " + f.Text
}

// Difference tells the first fact in which two books differ, by name; empty where there is none.
func Difference(model, product Facts) string {
	byName := func(a, b Fact) int { return cmp.Compare(a.Name, b.Name) }
	slices.SortStableFunc(model, byName)
	slices.SortStableFunc(product, byName)
	for i := 0; i < len(model) || i < len(product); i++ {
		switch {
		case i == len(model):
			return fmt.Sprintf("model says nothing of it\nproduct: %s", product[i])
		case i == len(product):
			return fmt.Sprintf("model:   %s\nproduct says nothing of it", model[i])
		case model[i].Name < product[i].Name:
			return fmt.Sprintf("model:   %s\nproduct says nothing of it", model[i])
		case model[i].Name > product[i].Name:
			return fmt.Sprintf("model says nothing of it\nproduct: %s", product[i])
		}
		off := math.Abs(model[i].Number - product[i].Number)
		near := model[i].Text == NearTrace
		if !near && model[i].Text != product[i].Text || off > model[i].Slack+product[i].Slack+1e-9 {
			return fmt.Sprintf("model:   %s\nproduct: %s", model[i], product[i])
		}
	}
	return ""
}
