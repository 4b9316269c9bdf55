// Testlog reads `go test -json` and prints what `go test` prints: a line for each package and all that a failed test said.
// A skipped test fails the run, for a check that did not run proves nothing.
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
)

// An event is a line of `go test -json`; `go doc test2json` has its fields.
type event struct{ Action, Package, Test, Output string }

func main() {
	var passed, failed, skipped int
	said := map[string]map[string]string{} // package, test: what it said so far

	lines := bufio.NewReader(os.Stdin)
	for {
		line, err := lines.ReadBytes('\n')
		if err != nil {
			break
		}
		var e event
		if json.Unmarshal(line, &e) != nil {
			os.Stdout.Write(line)
			continue
		}
		if said[e.Package] == nil {
			said[e.Package] = map[string]string{}
		}
		tests := said[e.Package]
		switch {
		case e.Action == "build-output", e.Action == "output" && e.Test == "" && e.Output != "PASS\n":
			fmt.Print(e.Output)
		case e.Action == "output":
			tests[e.Test] += e.Output
		case e.Action == "pass" && e.Test != "":
			passed++
			delete(tests, e.Test)
		case e.Action == "fail" && e.Test != "":
			failed++
			fmt.Print(tests[e.Test])
			delete(tests, e.Test)
		case e.Action == "skip" && e.Test != "":
			skipped++
			fmt.Print(tests[e.Test])
			delete(tests, e.Test)
		case e.Action == "fail": // a package that broke off leaves tests without an end
			for _, output := range tests {
				fmt.Print(output)
			}
		}
	}
	fmt.Printf("%d passed, %d failed, %d skipped\n", passed, failed, skipped)
	if failed+skipped > 0 {
		os.Exit(1)
	}
}
