// Package stock owns stock arithmetic: how many fish of what weight a unit
// holds, and what that asks of its room, its water and its oxygen. Each formula
// names its source; limits are the keeper's, and what is shown where there are
// none says where it comes from. Nothing here is advice for a stock.
//
// A figure whose inputs are missing is not worked out; what is missing is named.
//
// The package does no I/O.
package stock
