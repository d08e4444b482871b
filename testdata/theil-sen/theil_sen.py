"""Prints the Theil-Sen slope and its bounds for each series of series.csv.

It shares nothing with rules/trend: exact fractions, and for up to seven points
the variance of Kendall's statistic is taken over all orders of y in place of a
formula. Python's standard library only: python3 theil_sen.py < series.csv
"""

import csv
import itertools
import math
import statistics
import sys
from fractions import Fraction


def kendall_s(xs, ys):
    total = 0
    for (x1, y1), (x2, y2) in itertools.combinations(zip(xs, ys), 2):
        d = (x2 - x1) * (y2 - y1)
        total += (d > 0) - (d < 0)
    return total


def variance(xs, ys):
    n = len(xs)
    if n <= 7:
        all_s = [kendall_s(xs, p) for p in itertools.permutations(ys)]
        return Fraction(sum(s * s for s in all_s), len(all_s))
    v = Fraction(n * (n - 1) * (2 * n + 5))
    for values in (xs, ys):
        for value in set(values):
            t = values.count(value)
            v -= t * (t - 1) * (2 * t + 5)
    return v / 18


def main():
    series = {}
    for row in csv.DictReader(sys.stdin):
        series.setdefault((row["series"], row["confidence"]), []).append((Fraction(row["x"]), Fraction(row["y"])))
    for (name, confidence), points in series.items():
        xs = [p[0] for p in points]
        ys = [p[1] for p in points]
        slopes = sorted((y2 - y1) / (x2 - x1) for (x1, y1), (x2, y2) in itertools.combinations(points, 2) if x1 != x2)
        z = statistics.NormalDist().inv_cdf(0.5 + float(confidence) / 2)
        apart = z * math.sqrt(variance(xs, ys))
        # Ranks count from 1: M1 and M2 + 1 of Sen, rounded to the nearest.
        m1 = max(round((len(slopes) - apart) / 2), 1)
        m2 = min(round((len(slopes) + apart) / 2) + 1, len(slopes))
        print(name, confidence, *(f"{float(v):.12g}" for v in (statistics.median(slopes), slopes[m1 - 1], slopes[m2 - 1])))


main()
