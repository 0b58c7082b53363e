// Command cmd rebuilds the embedded bundle of the pages: run it as
// `go run ./web/build/cmd` at the top of the repository after a change to
// web/elements or web/static. It must not do anything else.
package main

import (
	"fmt"
	"os"

	"sideport/web/build"
)

func main() {
	root := "web"
	if len(os.Args) > 1 {
		root = os.Args[1]
	}
	names, err := build.Write(root)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Println("web/static/built:", names)
}
