/* The loops that a placement spends its time in. */
#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__linux__)
#define SPREAD __attribute__((target_clones("avx2,fma", "default")))
#else
#define SPREAD
#endif
#if defined(__GNUC__)
#define WITHIN static inline __attribute__((always_inline))
#else
#define WITHIN static inline
#endif

/* What this was compiled from. */
uint32_t sources(void) { return SOURCES; }

/* exp of a float not above 0, in a form that compilers work out for several numbers at once. */
WITHIN float fall(float x)
{
    x = x < -87.0f ? -87.0f : x;
    const float shifted = x * 1.44269504f + 12582912.0f, whole = shifted - 12582912.0f;
    const float r = x - whole * 0.693359375f + whole * 2.12194440e-4f;
    float p = 1.9875691500e-4f;
    p = p * r + 1.3981999507e-3f;
    p = p * r + 8.3334519073e-3f;
    p = p * r + 4.1665795894e-2f;
    p = p * r + 1.6666665459e-1f;
    p = p * r + 5.0000001201e-1f;
    p = p * r * r + r + 1.0f;
    const union { float number; int32_t bits; } from = {.number = shifted};
    const union { int32_t bits; float number; } power = {.bits = (from.bits + 127) << 23};
    return p * power.number;
}

/* Of f normals with their reaches the one that each of points (n, 2) is nearest along, and how far
   off it is; where asked, the next crest of normal . point - reach, 0 if there is none. */
SPREAD void nearest(
    long n, long f, int mirrored, const double *restrict point, const double *restrict normal,
    const double *restrict reach, long *restrict first, long *restrict second,
    double *restrict off)
{
    enum { FEW = 32 };
    for (long from = 0; from < n; from += FEW) {
        const long few = n - from < FEW ? n - from : FEW;
        double x[FEW], y[FEW], most[FEW], next[FEW], before[FEW], last[FEW], best[FEW], crest[FEW];
        for (long i = 0; i < few; i++) {
            x[i] = point[2 * (from + i)];
            y[i] = point[2 * (from + i) + 1];
            y[i] = mirrored && y[i] < 0 ? -y[i] : y[i];
            most[i] = next[i] = -INFINITY;
            best[i] = crest[i] = 0;
        }
        for (long j = 0; j < f; j++)
            for (long i = 0; i < few; i++) {
                const double here = x[i] * normal[j] + y[i] * normal[f + j] - reach[j];
                best[i] = here > most[i] ? (double)j : best[i];
                most[i] = here > most[i] ? here : most[i];
            }
        for (long i = 0; i < few; i++) {
            first[from + i] = (long)best[i];
            off[from + i] = most[i];
        }
        if (!second) continue;
        for (long i = 0; i < few; i++) {
            const long a = f - 1;
            before[i] = x[i] * normal[a] + y[i] * normal[f + a] - reach[a];
            last[i] = x[i] * normal[0] + y[i] * normal[f] - reach[0];
        }
        for (long j = 0; j < f; j++) {
            const long a = j + 1 < f ? j + 1 : 0;
            for (long i = 0; i < few; i++) {
                const double after = x[i] * normal[a] + y[i] * normal[f + a] - reach[a];
                const int crests = (last[i] >= before[i]) & (last[i] >= after)
                    & (best[i] != (double)j) & (last[i] > next[i]);
                crest[i] = crests ? (double)j : crest[i];
                next[i] = crests ? last[i] : next[i];
                before[i] = last[i];
                last[i] = after;
            }
        }
        for (long i = 0; i < few; i++) second[from + i] = (long)crest[i];
    }
}

/* The least of f facets, level - steep . point, over each of points (n, 2), at most 1. */
SPREAD static void deep(
    long n, long f, int mirrored, const double *restrict point, const double *restrict steep,
    const double *restrict level, double *restrict found)
{
    for (long k = 0; k < n; k++) found[k] = 1;
    for (long j = 0; j < f; j++)
        for (long k = 0; k < n; k++) {
            const double y = point[2 * k + 1], side = mirrored && y < 0 ? -y : y;
            const double here = level[j] - steep[2 * j] * point[2 * k] - steep[2 * j + 1] * side;
            found[k] = here < found[k] ? here : found[k];
        }
}

/* Of f facets, level - steep . point, the `count` that come closest to being least over each of
   points (n, 2) or the next: their steepness (count, 2, n) and levels (count, n). */
SPREAD static void facets(
    long n, long f, long count, int mirrored, const double *restrict point,
    const double *restrict steep, const double *restrict level, double *restrict slope,
    double *restrict height)
{
    double *const over = malloc((n + 1) * f * sizeof(double)), *const both = over + n * f;
    for (long k = 0; k < n; k++) {
        const double x = point[2 * k], y = point[2 * k + 1], side = mirrored && y < 0 ? -y : y;
        double least = INFINITY, *const here = over + k * f;
        for (long j = 0; j < f; j++) here[j] = level[j] - steep[2 * j] * x - steep[2 * j + 1] * side;
        for (long j = 0; j < f; j++) least = here[j] < least ? here[j] : least;
        for (long j = 0; j < f; j++) here[j] -= least;
    }
    for (long k = 0; k < n; k++) {
        const double *const here = over + k * f, *const next = over + (k + 1) % n * f;
        for (long j = 0; j < f; j++) both[j] = here[j] < next[j] ? here[j] : next[j];
        for (long m = 0; m < count; m++) {
            long best = 0;
            for (long j = 1; j < f; j++)
                if (both[j] < both[best]) best = j;
            both[best] = INFINITY;
            slope[2 * m * n + k] = steep[2 * best];
            slope[(2 * m + 1) * n + k] = steep[2 * best + 1];
            height[m * n + k] = level[best];
        }
    }
    free(over);
}

#define REAL float
#define NAME(f) f##_single
#define FALL fall
#define ROOT sqrtf
#include "loops.h"
#undef REAL
#undef NAME
#undef FALL
#undef ROOT
#define REAL double
#define NAME(f) f##_double
#define FALL exp
#define ROOT sqrt
#include "loops.h"
