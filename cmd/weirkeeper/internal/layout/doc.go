// Package layout holds no code of the program, only tests of the repository as a whole: which package may
// import which, what lies at the top level, and that checked-in figures can be computed again.
//
// The linters hold the same import directions; the tests here need nothing but Go, and name the offending
// import.
package layout
