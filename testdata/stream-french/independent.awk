# Independent computation for the tests: what french.csv holds, its degree-days and its oxygen saturation.
# Written apart from the Go code and sharing nothing with it. Any awk (mawk, gawk); run with LC_ALL=C:
#
#	LC_ALL=C awk -f independent.awk french.csv > independent.txt
#
# Rules, each in README.md with its reason: sonde TOWN only; rows without a temperature or oxygen are left
# out; then a row counts only if its time is later than that of the last row that counted.
# Times are UTC by declaration.

function fail(what) {
	print "independent.awk: line " NR ": " what > "/dev/stderr"
	failed = 1
	exit 1
}

# days from 1970-01-01 to a date of the Gregorian calendar, by whole years and months from 1970
function days(y, m, d,    i, n) {
	n = d - 1
	for (i = 1970; i < y; i++) n += leap(i) ? 366 : 365
	for (i = 1; i < m; i++) n += (i == 2 && leap(y)) ? 29 : monthdays[i]
	return n
}

function leap(y) { return (y % 4 == 0 && y % 100 != 0) || y % 400 == 0 }

# RFC 3339 text of seconds since 1970-01-01, UTC; date(n) of a number of days
function stamp(s,    n, r) {
	n = int(s / 86400); r = s - n * 86400
	return sprintf("%sT%02d:%02d:%02dZ", date(n), int(r / 3600), int(r % 3600 / 60), r % 60)
}

function date(n,    y, m, len) {
	y = 1970
	while (n >= (len = leap(y) ? 366 : 365)) { n -= len; y++ }
	m = 1
	while (n >= (len = (m == 2 && leap(y)) ? 29 : monthdays[m])) { n -= len; m++ }
	return sprintf("%04d-%02d-%02d", y, m, n + 1)
}

# mg/L in water saturated with moist air at 1 atm, salinity 0; t in degC, 0 to 40 (Benson & Krause 1980, 1984)
function saturation(t,    k) {
	k = t + 273.15
	return exp(-139.34411 + 1.575701e5 / k - 6.642308e7 / k^2 + 1.243800e10 / k^3 - 8.621949e11 / k^4)
}

# adds the straight line from (s0, t0) to (s1, t1), in seconds and degC, to the days it crosses
function add(s0, t0, s1, t1, estimated,    a, b, day, ta, tb, dd) {
	for (a = s0; a < s1; a = b) {
		day = int(a / 86400)
		b = (day + 1) * 86400
		if (b > s1) b = s1
		ta = t0 + (t1 - t0) * (a - s0) / (s1 - s0)
		tb = t0 + (t1 - t0) * (b - s0) / (s1 - s0)
		dd = (ta + tb) / 2 * (b - a) / 86400
		if (estimated) { estdd[day] += dd; esthours[day] += (b - a) / 3600 }
		else { meadd[day] += dd; meahours[day] += (b - a) / 3600 }
	}
}

BEGIN {
	FS = ","
	split("31 28 31 30 31 30 31 31 30 31 30 31", monthdays, " ")
	bridge = 2 * 3600 # s; a longer step between readings is a gap: bridged, but counted as estimated
	lowest = 1e9; lowpct = 1e9
}

NR == 1 {
	if ($0 != "station,siteno,sonde,date,time,temp,oxy") fail("unknown header " $0)
	next
}

{ lines++ }
$3 != "TOWN" { other++; next }
{ series++ }
$6 == "NA" || $7 == "NA" { absent++; next }

{
	if (split($4, d, "/") != 3 || split($5, h, ":") != 3) fail("bad time " $4 " " $5)
	s = days(d[3], d[1], d[2]) * 86400 + h[1] * 3600 + h[2] * 60 + h[3]
	if (n > 0 && s <= last) { backward++; next }
	t = $6 + 0; oxy = $7 + 0
	if (t < 0) fail("below 0 degC: the base of the degree-days would matter")

	sat = saturation(t); pct = 100 * oxy / sat
	n++
	if (n == 1) { first = s; firstday = int(s / 86400) }
	else {
		if (s - last > bridge) {
			gaps++
			gap[gaps] = sprintf("gap %s %s hours %.4f degree_days %.6f",
				stamp(last), stamp(s), (s - last) / 3600, (lastt + t) / 2 * (s - last) / 86400)
		}
		add(last, lastt, s, t, s - last > bridge)
	}
	readings[int(s / 86400)]++
	sumsat += sat; sumpct += pct
	if (t < lowest) lowest = t
	if (t > highest) highest = t
	if (pct < lowpct) lowpct = pct
	if (pct > highpct) highpct = pct
	if (n % 100 == 1) row[++rows] = sprintf("row %d %s %s %s %.6f %.4f", n, stamp(s), $6, $7, sat, pct)
	last = s; lastt = t
}

END {
	if (failed) exit 1
	print "lines " lines
	print "other_sonde " other
	print "series_rows " series
	print "without_value " absent
	print "not_later " backward
	print "readings " n
	print "first " stamp(first)
	print "last " stamp(last)
	printf "temperature_min_degc %s\ntemperature_max_degc %s\n", lowest, highest
	for (day = firstday; day <= int(last / 86400); day++) {
		mea += meadd[day]; est += estdd[day]; mh += meahours[day]; eh += esthours[day]
	}
	printf "degree_days %.6f\ndegree_days_measured %.6f\ndegree_days_estimated %.6f\n", mea + est, mea, est
	printf "temperature_units_degf %.6f\n", (mea + est) * 1.8
	printf "hours_measured %.4f\nhours_estimated %.4f\n", mh, eh
	printf "saturation_mean_mg_per_l %.6f\n", sumsat / n
	printf "saturation_mean_percent %.6f\n", sumpct / n
	printf "saturation_min_percent %.6f\nsaturation_max_percent %.6f\n", lowpct, highpct
	for (i = 1; i <= gaps; i++) print gap[i]
	print "# day date degree_days of_it_estimated hours_measured hours_estimated readings"
	for (day = firstday; day <= int(last / 86400); day++)
		printf "day %s %.6f %.6f %.4f %.4f %d\n", date(day), meadd[day] + estdd[day], estdd[day],
			meahours[day], esthours[day], readings[day]
	print "# row number time temperature_degc oxygen_mg_per_l saturation_mg_per_l saturation_percent"
	for (i = 1; i <= rows; i++) print row[i]
}
