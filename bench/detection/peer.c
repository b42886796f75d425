/* The vectorised C loop that the detection surface is measured against: trap by trap, row by row of the grid, on one
 * thread. Built with -O3 -march=native -ffast-math, so that gcc calls glibc's vector exp and log (libmvec).
 *
 * usage: peer INSTANCE RUNS logs|product ANSWER
 * "logs" takes a logarithm for every pair (any exposures); "product" multiplies escapes (equal exposures only, and tiny
 * captures lose digits). Prints one JSON object with the median seconds of a run. */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define SPACING_M 50.0
#define DAYS 14.0

static int64_t columns, rows, traps;
static double *trap_x, *trap_y, *reach, *peak, *cutoff, *cell_x;

static double *read_doubles(FILE *in, int64_t n) {
    double *values = malloc(n * sizeof *values);
    if (!values || fread(values, sizeof *values, n, in) != (size_t)n) {
        fprintf(stderr, "the instance file is cut short\n");
        exit(1);
    }
    return values;
}

static void add_row(double *restrict total, const double *restrict x, int64_t n, double tx, double dy2, double per_reach,
                    double q, int logs) {
    if (logs) {
        for (int64_t j = 0; j < n; j++) {
            double dx = x[j] - tx, t = exp(-sqrt(dx * dx + dy2) * per_reach);
            total[j] += log(1.0 - 2.0 * q * t / (1.0 + t * t));
        }
    } else {
        for (int64_t j = 0; j < n; j++) {
            double dx = x[j] - tx, t = exp(-sqrt(dx * dx + dy2) * per_reach);
            total[j] *= 1.0 - 2.0 * q * t / (1.0 + t * t);
        }
    }
}

static int64_t clamp(double value, int64_t high) { return value < 0 ? 0 : value > high ? high : (int64_t)value; }

static void surface(double *total, int logs) {
    for (int64_t c = 0; c < columns * rows; c++) total[c] = logs ? 0.0 : 1.0;
    for (int64_t i = 0; i < traps; i++) {
        int64_t r0 = clamp(ceil((trap_y[i] - cutoff[i]) / SPACING_M - 0.5), rows);
        int64_t r1 = clamp(floor((trap_y[i] + cutoff[i]) / SPACING_M - 0.5) + 1, rows);
        for (int64_t r = r0; r < r1; r++) {
            double dy = (r + 0.5) * SPACING_M - trap_y[i], chord2 = cutoff[i] * cutoff[i] - dy * dy;
            if (chord2 < 0) continue;
            double chord = sqrt(chord2);
            int64_t c0 = clamp(ceil((trap_x[i] - chord) / SPACING_M - 0.5), columns);
            int64_t c1 = clamp(floor((trap_x[i] + chord) / SPACING_M - 0.5) + 1, columns);
            if (c1 > c0)
                add_row(total + r * columns + c0, cell_x + c0, c1 - c0, trap_x[i], dy * dy, 1.0 / reach[i], peak[i], logs);
        }
    }
    for (int64_t c = 0; c < columns * rows; c++)
        total[c] = logs ? 1.0 - exp(DAYS * total[c]) : 1.0 - pow(total[c], DAYS);
}

static int by_value(const void *a, const void *b) {
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

int main(int argc, char **argv) {
    if (argc != 5) {
        fprintf(stderr, "usage: peer INSTANCE RUNS logs|product ANSWER\n");
        return 2;
    }
    FILE *in = fopen(argv[1], "rb");
    int64_t head[3];
    if (!in || fread(head, sizeof *head, 3, in) != 3) {
        fprintf(stderr, "can't read %s\n", argv[1]);
        return 1;
    }
    columns = head[0], rows = head[1], traps = head[2];
    trap_x = read_doubles(in, traps), trap_y = read_doubles(in, traps), reach = read_doubles(in, traps);
    peak = read_doubles(in, traps), cutoff = read_doubles(in, traps);
    fclose(in);
    cell_x = malloc(columns * sizeof *cell_x);
    double *total = malloc(columns * rows * sizeof *total);
    int runs = atoi(argv[2]), logs = !strcmp(argv[3], "logs");
    double *seconds = malloc(runs * sizeof *seconds);
    for (int64_t c = 0; c < columns; c++) cell_x[c] = (c + 0.5) * SPACING_M;
    for (int k = 0; k < runs; k++) {
        struct timespec from, to;
        clock_gettime(CLOCK_MONOTONIC, &from);
        surface(total, logs);
        clock_gettime(CLOCK_MONOTONIC, &to);
        seconds[k] = (to.tv_sec - from.tv_sec) + 1e-9 * (to.tv_nsec - from.tv_nsec);
    }
    qsort(seconds, runs, sizeof *seconds, by_value);
    FILE *out = fopen(argv[4], "wb");
    if (!out || fwrite(total, sizeof *total, columns * rows, out) != (size_t)(columns * rows)) {
        fprintf(stderr, "can't write %s\n", argv[4]);
        return 1;
    }
    fclose(out);
    printf("{\"name\": \"c-%s\", \"seconds\": %.9f}\n", argv[3], seconds[runs / 2]);
    return 0;
}
