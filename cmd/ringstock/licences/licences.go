// Package licences holds the licences of all that a ringstock program contains.
package licences

import _ "embed"

// Text has the licence of ringstock, of Go's standard library, and of each module that a
// program for any of the released systems contains, every text word for word.
//
//go:embed licences.txt
var Text string
