// Package series keeps sealed history: readings of periods that are over, in
// tstorage, of which it is the only importer. What is not sealed yet is in the
// ledger, and a query reads both as one.
//
// A period (a calendar month, UTC) is sealed once it is over and a grace time
// has passed: its readings are written beside the final place, flushed to the
// disk, read again by another process and compared with the ledger one by one,
// renamed into place, and only then dropped from the ledger. Readings that come
// for a sealed period wait in the ledger until the period is built anew, by the
// same steps. Killed at any point, each reading is in the ledger, in a sealed
// period, or in both, and a query gives it once.
//
// On the disk a period is one folder:
//
//	2026-11/period.json   what it holds, and a checksum of every other file
//	2026-11/0000/...      one part: a tstorage folder with one probe's readings
//	2026-11.building-*    not finished; removed at the next start
//	2026-11.replaced      put aside while a rebuilt one takes its place
//	2026-11.damaged-*     did not stand the check; left for a person to look at
//
// A part holds the readings of one probe, at most 65,536 of them (a month at one a
// minute is 44,640), because tstorage keeps a whole part in memory while it is
// written, and copies everything up to the end of its file to read one series
// of it. Both stay small this way, whatever the number of probes. The files of
// a part are compared with their checksums each time it is read, which takes
// less than a tenth of the time that decoding takes; so damage is found before
// tstorage maps the file into memory, where a missing page would end the
// process. A fault that comes after the check is caught too.
//
// A sealed reading still knows its probe, At to the microsecond, the exact bits
// of its value, and its flags. It no longer knows
//   - MID, which is 0;
//   - ArrivedAt, which is At, unless it came late, out of order or ahead of the
//     clock: then it is exact;
//   - DeviceAt, if it was flagged as timed by the device but none was given:
//     then it is At.
//
// Readings of one time and value of a probe are one reading, as in the ledger.
// If two differ in their flags the sealed one stays.
//
// Caveats:
//   - tstorage is used for what it can be trusted with: writing a folder once
//     and reading it. Its own log, retention, merging of late rows and Close
//     after reading are not used; tstorage_test.go shows why. It never gives a
//     mapped file back, so release.go reaches into it to do so.
//   - It holds nothing open between two calls, so a Store needs no closing.
//   - A clock that is wrong seals the wrong periods, which is mended when it is
//     right, and retires one wrong period a day, which is not. Call Maintain
//     only while it is trusted, and not while the times in the ledger are being
//     corrected: a reading moved into a period that is being sealed would be
//     dropped with it.
//   - One Store at a time for a folder. Only Linux and its kin: it needs mmap,
//     and folders that can be synced.
package series
