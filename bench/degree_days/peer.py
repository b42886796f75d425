"""The peer of the degree-day bench: single sine, horizontal cut-off, vectorised numpy on the same days as the Rust bench.

Prints one line with nanoseconds per station-day (fifty stations at a time, best of nine runs) and the sum, which must equal ours. Two forms are timed:
every case computed everywhere and selected (plain), and only the days that need an arc sine computed (masked).
"""

import time

import numpy as np

STATIONS, DAYS = 1000, 3650
LOWER, UPPER = 13.34, 33.08


def noise(day, station, salt):
    with np.errstate(over="ignore"):
        mixed = (day + np.uint64(1_000_003) * station + np.uint64(salt)) * np.uint64(0x9E3779B97F4A7C15)
    return (mixed >> np.uint64(11)).astype(float) / 2.0**53


def days():
    day = np.arange(DAYS, dtype=np.uint64)[None, :]
    station = np.arange(STATIONS, dtype=np.uint64)[:, None]
    season = np.sin(2.0 * np.pi * day.astype(float) / 365.25)
    mid = 16.0 + 9.0 * season + 0.004 * station.astype(float) + 8.0 * (noise(day, station, 0) - 0.5)
    half = 2.0 + 7.0 * noise(day, station, 17)
    return mid - half, mid + half


def area_plain(tmin, tmax, level):
    mean, alpha = 0.5 * (tmin + tmax), 0.5 * (tmax - tmin)
    ratio = np.clip((level - mean) / alpha, -1.0, 1.0)
    theta = np.arcsin(ratio)
    wave = ((mean - level) * (np.pi / 2 - theta) + alpha * np.sqrt(1.0 - ratio * ratio)) / np.pi
    return np.where(tmin >= level, mean - level, np.where(tmax <= level, 0.0, wave))


def area_masked(tmin, tmax, level):
    mean = 0.5 * (tmin + tmax)
    out = np.where(tmin >= level, mean - level, 0.0)
    cross = (tmin < level) & (tmax > level)
    mean, alpha = mean[cross], 0.5 * (tmax[cross] - tmin[cross])
    ratio = (level - mean) / alpha
    theta = np.arcsin(ratio)
    out[cross] = ((mean - level) * (np.pi / 2 - theta) + alpha * np.sqrt(1.0 - ratio * ratio)) / np.pi
    return out


def main():
    tmin, tmax = days()
    for name, area in [("plain", area_plain), ("masked", area_masked)]:
        seconds, total = 0.0, 0.0
        for block in range(0, STATIONS, 50):
            low, high = tmin[block : block + 50], tmax[block : block + 50]
            best = np.inf
            for _ in range(9):
                begin = time.perf_counter()
                block_sum = (area(low, high, LOWER) - area(low, high, UPPER)).sum()
                best = min(best, time.perf_counter() - begin)
            seconds += best
            total += block_sum
        print(f"numpy-{name} sine horizontal ns_per_station_day={seconds * 1e9 / (STATIONS * DAYS):.3f} sum={total:.6f}")


if __name__ == "__main__":
    main()
