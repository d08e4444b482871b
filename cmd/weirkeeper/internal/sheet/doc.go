// Package sheet words the lots for people: the board that lists them, a lot's
// record sheet as plain text, as a page to print and as tables for a
// spreadsheet, and what the units hold. Everything it says is in what it is
// given; it works out nothing but totals and differences of dates. Dates are in
// the site's time zone, temperatures as the keeper reads them, and degree-days
// never stand without TU. State is said in words; nothing depends on colour.
package sheet
