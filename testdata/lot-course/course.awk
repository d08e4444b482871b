# Independent computation for the tests: the thermal units of a lot that is moved between two waters.
# Written apart from the Go code and sharing nothing with it. Any awk (mawk, gawk); run with LC_ALL=C:
#
#	LC_ALL=C awk -f course.awk ../stream-french/french.csv > course.txt
#
# What the file's rows mean is in ../stream-french/README.md, what is computed in README.md here.

function fail(what) {
	print "course.awk: line " NR ": " what > "/dev/stderr"
	failed = 1
	exit 1
}

# the number of a day of 2012, from 1 January = 0
function yearday(m, d,    i, n) {
	for (i = 1; i < m; i++) n += len[i]
	return n + d - 1
}

# seconds from the beginning of 2012, UTC
function when(m, d, h, mi, s) { return ((yearday(m, d) * 24 + h) * 60 + mi) * 60 + s }

function date(day,    m) {
	for (m = 1; day >= len[m]; m++) day -= len[m]
	return sprintf("2012-%02d-%02d", m, day + 1)
}

# RFC 3339, to the microsecond where there is a part of a second
function stamp(s,    whole, us, text) {
	whole = int(s); us = int((s - whole) * 1e6 + 0.5)
	if (us == 1000000) { whole++; us = 0 }
	text = date(int(whole / 86400)) sprintf("T%02d:%02d:%02d", int(whole / 3600) % 24, int(whole / 60) % 60, whole % 60)
	return text (us ? sprintf(".%06d", us) : "") "Z"
}

# the height of the line from (x0, y0) to (x1, y1) at x
function height(x0, y0, x1, y1, x) { return y0 + (y1 - y0) / (x1 - x0) * (x - x0) }

# books a piece within one day and on one side of the base; heights are above the base
function piece(x0, y0, x1, y1, day, stay,    area, lo, hi, mid, i) {
	if (x1 <= x0 || (y0 <= 0 && y1 <= 0)) return
	area = (y0 + y1) / 2 * (x1 - x0) / 86400
	while (total + area >= goal) {
		# halve the time in which the goal is passed
		lo = 0; hi = x1 - x0
		for (i = 0; i < 60; i++) {
			mid = (lo + hi) / 2
			if (total + (y0 + (y0 + (y1 - y0) / (x1 - x0) * mid)) / 2 * mid / 86400 < goal) lo = mid; else hi = mid
		}
		passed[base, goal] = x0 + hi
		goal += 50
	}
	total += area
	dd[base, day] += area
	staydd[base, stay] += area
}

# books the line from (x0, y0) to (x1, y1), degC, to the days it crosses
function book(x0, y0, x1, y1, kind, stay,    a, b, ya, yb, c, day) {
	for (a = x0; a < x1; a = b) {
		day = int(a / 86400)
		b = (day + 1) * 86400
		if (b > x1) b = x1
		ya = height(x0, y0, x1, y1, a); yb = height(x0, y0, x1, y1, b)
		if (base == bases[1]) {
			heat[day] += (ya + yb) / 2 * (b - a)
			hours[day, kind] += (b - a) / 3600
			stayhours[stay, kind] += (b - a) / 3600
		}
		ya -= base; yb -= base
		if (ya * yb < 0) {
			c = a + (b - a) * ya / (ya - yb)
			piece(a, ya, c, 0, day, stay)
			piece(c, 0, b, yb, day, stay)
		} else piece(a, ya, b, yb, day, stay)
	}
}

# one stay: every step between two readings, or the part of it that lies in the stay
function follow(stay,    i, d, kind, x0, x1, y0, y1) {
	for (i = 2; i <= n; i++) {
		x0 = at[i - 1]; x1 = at[i]
		if (x1 <= from[stay] || x0 >= from[stay + 1]) continue
		d = x1 - x0
		kind = d <= measured ? "measured" : d <= short ? "bridged" : "unsupported"
		y0 = temp[i - 1] + shift[stay]; y1 = temp[i] + shift[stay]
		if (x0 < from[stay]) { y0 = height(x0, y0, x1, y1, from[stay]); x0 = from[stay] }
		if (x1 > from[stay + 1]) { y1 = height(x0, y0, x1, y1, from[stay + 1]); x1 = from[stay + 1] }
		book(x0, y0, x1, y1, kind, stay)
	}
}

BEGIN {
	FS = ","
	split("31 29 31 30 31 30 31 31 30 31 30 31", len, " ")
	measured = 15 * 60 # s: three intervals of five minutes
	short = 2 * 3600   # s
	hushfrom = when(9, 9, 23, 20, 0); hushto = when(9, 10, 0, 35, 0) # left out
	nbases = split("0 2 8", bases, " ")

	stays = 3
	from[1] = when(9, 2, 6, 0, 0);    shift[1] = 0
	from[2] = when(9, 5, 8, 0, 0);    shift[2] = 1.25 # inside the gap of 24 h
	from[3] = when(9, 20, 15, 7, 30); shift[3] = 0    # between two readings
	from[4] = when(9, 29, 18, 2, 30)
}

NR == 1 {
	if ($0 != "station,siteno,sonde,date,time,temp,oxy") fail("unknown header " $0)
	next
}
$3 != "TOWN" || $6 == "NA" || $7 == "NA" { next }
{
	if (split($4, d, "/") != 3 || d[3] != 2012 || split($5, h, ":") != 3) fail("bad time " $4 " " $5)
	s = when(d[1], d[2], h[1], h[2], h[3])
	if (n > 0 && s <= at[n]) next
	if (s > hushfrom && s < hushto) next
	n++; at[n] = s; temp[n] = $6 + 0
}

END {
	if (failed) exit 1
	if (n == 0 || at[1] > from[1] || at[n] < from[stays + 1]) fail("the readings do not cover the course")
	for (i = 1; i <= nbases; i++) {
		base = bases[i]; total = 0; goal = 50
		for (j = 1; j <= stays; j++) follow(j)
		totals[i] = total; goals[i] = goal
	}
	print "# stay number from to shift_degc hours_measured hours_bridged hours_unsupported"
	for (j = 1; j <= stays; j++)
		printf "stay %d %s %s %.2f %.6f %.6f %.6f\n", j, stamp(from[j]), stamp(from[j + 1]), shift[j],
			stayhours[j, "measured"], stayhours[j, "bridged"], stayhours[j, "unsupported"]
	print "# units stay base_degc degree_days tu"
	for (i = 1; i <= nbases; i++)
		for (j = 1; j <= stays; j++)
			printf "units %d %d %.9f %.9f\n", j, bases[i], staydd[bases[i], j], staydd[bases[i], j] * 9 / 5
	print "# total base_degc degree_days tu"
	for (i = 1; i <= nbases; i++) printf "total %d %.9f %.9f\n", bases[i], totals[i], totals[i] * 9 / 5
	print "# passed base_degc degree_days time"
	for (i = 1; i <= nbases; i++)
		for (g = 50; g < goals[i]; g += 50) printf "passed %d %d %s\n", bases[i], g, stamp(passed[bases[i], g])
	print "# day date mean_degc hours_measured hours_bridged hours_unsupported; then degree_days tu above each base"
	for (day = int(from[1] / 86400); day * 86400 < from[stays + 1]; day++) {
		covered = hours[day, "measured"] + hours[day, "bridged"] + hours[day, "unsupported"]
		printf "day %s %.9f %.6f %.6f %.6f", date(day), heat[day] / covered / 3600,
			hours[day, "measured"], hours[day, "bridged"], hours[day, "unsupported"]
		for (i = 1; i <= nbases; i++) printf " %.9f %.9f", dd[bases[i], day], dd[bases[i], day] * 9 / 5
		printf "\n"
	}
}
