/* The loops, once for each precision: REAL is the number, NAME(f) a function's name in it.

   Tables (n, s) keep the samples of one point next to each other; plan vectors (2, n, s) lead with
   x, y. What is settled on the nominal seat has no samples: (n) or (f, n). */

/* Greatest of slope . point - level over f tried slopes (f, 2, n), into best (n, s). */
SPREAD static void NAME(greatest)(
    long n, long s, long f, int mirrored, const REAL *restrict point, const REAL *restrict slope,
    const REAL *restrict level, REAL *restrict best)
{
    for (long k = 0; k < n; k++) {
        const REAL *restrict x = point + k * s, *restrict y = point + (n + k) * s;
        REAL *restrict out = best + k * s;
        for (long i = 0; i < s; i++) out[i] = -INFINITY;
        for (long j = 0; j < f; j++) {
            const REAL a = slope[2 * j * n + k], b = slope[(2 * j + 1) * n + k];
            const REAL h = level[j * n + k];
            if (mirrored)
                for (long i = 0; i < s; i++) {
                    REAL here = a * x[i] + b * (y[i] < 0 ? -y[i] : y[i]) - h;
                    out[i] = here > out[i] ? here : out[i];
                }
            else
                for (long i = 0; i < s; i++) {
                    REAL here = a * x[i] + b * y[i] - h;
                    out[i] = here > out[i] ? here : out[i];
                }
        }
    }
}

/* Least distance (n, s) of each run off an outline: that of its point, `gap`, or of a vertex that
   stands squarely before it. */
SPREAD static void NAME(nearest_of_run)(
    long n, long s, const unsigned char *restrict joined, const REAL *restrict point,
    const REAL *restrict way, const REAL *restrict outward, const REAL *restrict vertex,
    const REAL *restrict gap, REAL *restrict near)
{
    for (long k = 0; k < n; k++) {
        const long at = k * s, y = n * s;
        if (!joined[k]) {
            for (long i = 0; i < s; i++) near[at + i] = gap[at + i];
            continue;
        }
        for (long i = 0; i < s; i++) {
            const long j = at + i;
            const REAL to_x = vertex[j] - point[j], to_y = vertex[y + j] - point[y + j];
            const REAL off = -(to_x * outward[j] + to_y * outward[y + j]);
            const REAL along = to_x * way[j] + to_y * way[y + j];
            const REAL whole = way[j] * way[j] + way[y + j] * way[y + j];
            const REAL squarely = (along > 0) & (along < whole) ? off : gap[j];
            near[j] = squarely < gap[j] ? squarely : gap[j];
        }
    }
}

/* What gaps (n, s) gain where stones are longer (s) than their form: shape (n), squared normal. */
SPREAD static void NAME(relieve)(
    long n, long s, const REAL *restrict longer, const REAL *restrict shape,
    const REAL *restrict square, REAL *restrict gap)
{
    for (long k = 0; k < n; k++)
        for (long i = 0; i < s; i++)
            gap[k * s + i] += longer[i] * (shape[k] + square[k] * gap[k * s + i]);
}

/* Of every sector of the round the station where `field` (n, s) is least, or greatest: how far it
   is over `bound` (s), or under a bound `above`, as `slack` (k, s), and the direction (2, k, s) in
   which it gains. Where `beside` is more than the field a field gains along `one`, samples apart or
   alike (2, n, s or 1), else along `other` (2, n). */
SPREAD static void NAME(of_sectors)(
    long n, long s, long size, int greatest, int above, const REAL *restrict field,
    const REAL *restrict bound, const REAL *restrict beside, const REAL *restrict one, int apart,
    const REAL *restrict other, REAL *restrict slack, REAL *restrict direction)
{
    const REAL sign = greatest ? -1 : 1, turn = above ? -1 : 1;
    const long sectors = (n + size - 1) / size;
    for (long k = 0; k < sectors; k++) {
        REAL *restrict out = slack + k * s;
        REAL *restrict out_x = direction + k * s, *restrict out_y = direction + (sectors + k) * s;
        for (long i = 0; i < s; i++) out[i] = INFINITY;
        for (long j = k * size; j < n && j < (k + 1) * size; j++) {
            const REAL *restrict here = field + j * s, *restrict more = beside + j * s;
            const REAL *restrict one_x = one + j * s, *restrict one_y = one + (n + j) * s;
            const REAL x = other[j], y = other[n + j];
            const REAL ahead = apart || !one ? 0 : one[j], aside = apart || !one ? 0 : one[n + j];
            if (!beside)
                for (long i = 0; i < s; i++) {
                    const int less = sign * here[i] < out[i];
                    out[i] = less ? sign * here[i] : out[i];
                    out_x[i] = less ? x : out_x[i];
                    out_y[i] = less ? y : out_y[i];
                }
            else
                for (long i = 0; i < s; i++) {
                    const int less = sign * here[i] < out[i], nearer = more[i] > here[i];
                    const REAL to_x = apart ? one_x[i] : ahead, to_y = apart ? one_y[i] : aside;
                    out[i] = less ? sign * here[i] : out[i];
                    out_x[i] = less ? (nearer ? to_x : x) : out_x[i];
                    out_y[i] = less ? (nearer ? to_y : y) : out_y[i];
                }
        }
        for (long i = 0; i < s; i++) {
            out[i] = turn * (sign * out[i] - bound[i]);
            out_x[i] *= turn;
            out_y[i] *= turn;
        }
    }
}

/* Shift (2, s) that makes the least of slack - normal . shift widest, slack (k, s), normal
   (2, k, s), by Newton steps on minima of falling softness tau. */
SPREAD static void NAME(widest_least)(
    long k, long s, long steps, const double *restrict taus, const REAL *restrict slack,
    const REAL *restrict normal, REAL *restrict shift)
{
    enum { FEW = 64 };
    for (long from = 0; from < s; from += FEW) {
        const long few = s - from < FEW ? s - from : FEW;
        REAL dx[FEW] = {0}, dy[FEW] = {0}, low[FEW], all[FEW];
        REAL mx[FEW], my[FEW], xx[FEW], yy[FEW], xy[FEW];
        for (long t = 0; t < steps; t++) {
            const REAL tau = (REAL)taus[t], over = 1 / tau;
            for (long i = 0; i < few; i++) {
                low[i] = INFINITY;
                all[i] = mx[i] = my[i] = xx[i] = yy[i] = xy[i] = 0;
            }
            for (long j = 0; j < k; j++) {
                const REAL *restrict g = slack + j * s + from, *restrict x = normal + j * s + from;
                const REAL *restrict y = normal + (k + j) * s + from;
                for (long i = 0; i < few; i++) {
                    const REAL now = g[i] - dx[i] * x[i] - dy[i] * y[i];
                    low[i] = now < low[i] ? now : low[i];
                }
            }
            for (long j = 0; j < k; j++) {
                const REAL *restrict g = slack + j * s + from, *restrict x = normal + j * s + from;
                const REAL *restrict y = normal + (k + j) * s + from;
                for (long i = 0; i < few; i++) {
                    const REAL now = g[i] - dx[i] * x[i] - dy[i] * y[i];
                    const REAL e = FALL((low[i] - now) * over);
                    all[i] += e;
                    mx[i] += e * x[i];
                    my[i] += e * y[i];
                    xx[i] += e * x[i] * x[i];
                    yy[i] += e * y[i] * y[i];
                    xy[i] += e * x[i] * y[i];
                }
            }
            for (long i = 0; i < few; i++) {
                const REAL part = 1 / all[i], ax = mx[i] * part, ay = my[i] * part;
                /* A little stiffness keeps the step finite where all active normals agree. */
                const REAL a = xx[i] * part - ax * ax + (REAL)0.02;
                const REAL b = yy[i] * part - ay * ay + (REAL)0.02;
                const REAL c = xy[i] * part - ax * ay;
                const REAL scale = -tau / (a * b - c * c);
                const REAL step_x = scale * (b * ax - c * ay), step_y = scale * (a * ay - c * ax);
                const REAL size = ROOT(step_x * step_x + step_y * step_y);
                const REAL most = 4 * tau / (size > (REAL)1e-12 ? size : (REAL)1e-12);
                const REAL kept = most < 1 ? most : 1;
                dx[i] += step_x * kept;
                dy[i] += step_y * kept;
            }
        }
        for (long i = 0; i < few; i++) {
            shift[from + i] = dx[i];
            shift[s + from + i] = dy[i];
        }
    }
}

/* Of tried vertices (f, 2, n) the one that reaches farthest outward (2, n, s), into (2, n, s). */
SPREAD void NAME(farthest)(
    long n, long s, long f, const REAL *restrict outward, const REAL *restrict vertex,
    REAL *restrict place)
{
    for (long k = 0; k < n; k++)
        for (long i = 0; i < s; i++) {
            const REAL x = outward[k * s + i], y = outward[(n + k) * s + i];
            REAL best = -INFINITY, best_x = 0, best_y = 0;
            for (long j = 0; j < f; j++) {
                const REAL vx = vertex[2 * j * n + k], vy = vertex[(2 * j + 1) * n + k];
                const REAL here = x * vx + y * vy;
                best_x = here > best ? vx : best_x;
                best_y = here > best ? vy : best_y;
                best = here > best ? here : best;
            }
            place[k * s + i] = best_x;
            place[(n + k) * s + i] = best_y;
        }
}

enum { NAME(FEW) = 64 };

/* Facets over points and along the way from each to the next, with what longer stones gain. */
typedef struct {
    long n, s, f;
    int mirrored;
    const REAL *point, *way, *slope, *level, *by, *gain, *further;
} NAME(Pavilion);

/* The least of a pavilion's lines a part of the way along run k of some samples, at most 1: its
   share of depth there; where asked, how that line rises along the run. */
WITHIN void NAME(lowest)(
    const NAME(Pavilion) *p, long k, long from, long few, const REAL *restrict part,
    REAL *restrict share, REAL *restrict rise)
{
    const REAL *restrict x = p->point + k * p->s + from, *restrict y = x + p->n * p->s;
    const REAL *restrict u = p->way + k * p->s + from, *restrict v = u + p->n * p->s;
    const REAL *restrict by = p->by ? p->by + from : NULL;
    const int mirrored = p->mirrored;
    REAL at_x[NAME(FEW)], at_y[NAME(FEW)], v_y[NAME(FEW)];
    for (long i = 0; i < few; i++) {
        const REAL there = y[i] + part[i] * v[i];
        at_x[i] = x[i] + part[i] * u[i];
        at_y[i] = mirrored && there < 0 ? -there : there;
        v_y[i] = mirrored && there < 0 ? -v[i] : v[i];
        share[i] = INFINITY;
        rise[i] = 0;
    }
    for (long j = 0; j < p->f; j++) {
        const REAL a = p->slope[2 * j * p->n + k], b = p->slope[(2 * j + 1) * p->n + k];
        const REAL h = p->level[j * p->n + k];
        for (long i = 0; i < few; i++) {
            const REAL here = h - a * at_x[i] - b * at_y[i], along = -a * u[i] - b * v_y[i];
            rise[i] = here < share[i] ? along : rise[i];
            share[i] = here < share[i] ? here : share[i];
        }
    }
    if (by) {
        const REAL gain = p->gain[k], further = p->further[k];
        for (long i = 0; i < few; i++) {
            share[i] += by[i] * (gain + part[i] * further);
            rise[i] += by[i] * further;
        }
    }
    for (long i = 0; i < few; i++) {
        rise[i] = share[i] > 1 ? 0 : rise[i];
        share[i] = share[i] > 1 ? 1 : share[i];
    }
}

/* Where along run k of some samples the pavilion is deepest, and how deep. Lines least at the
   run's two ends cross at a first guess; the line least there takes the place of one of them.
   False where no two lines cross above what is `over`. */
WITHIN int NAME(crossing)(
    const NAME(Pavilion) *p, long k, long from, long few, const REAL *restrict over,
    REAL *restrict part, REAL *restrict share)
{
    const REAL small = sizeof(REAL) == 4 ? (REAL)3e-3 : (REAL)1e-6;
    REAL near[NAME(FEW)], far[NAME(FEW)], gain[NAME(FEW)], loss[NAME(FEW)];
    REAL rising[NAME(FEW)], falling[NAME(FEW)], other[NAME(FEW)], slope[NAME(FEW)];
    int any = 0;
    unsigned char crosses[NAME(FEW)];
    for (long i = 0; i < few; i++) near[i] = small, far[i] = 1 - small;
    NAME(lowest)(p, k, from, few, near, rising, gain);
    NAME(lowest)(p, k, from, few, far, falling, loss);
    for (long i = 0; i < few; i++) {
        /* Both lines by their height at the run's beginning. */
        rising[i] -= small * gain[i];
        falling[i] -= (1 - small) * loss[i];
        const int meets = (gain[i] > 0) & (loss[i] < 0);
        const REAL at = (falling[i] - rising[i]) / (meets ? gain[i] - loss[i] : (REAL)1);
        part[i] = at < 0 ? 0 : at > 1 ? 1 : at;
        crosses[i] = meets && (!over || rising[i] + part[i] * gain[i] > over[i]);
        any |= crosses[i];
    }
    if (!any) return 0;
    /* The line that is least a little beyond. */
    for (long i = 0; i < few; i++) near[i] = part[i] + small;
    NAME(lowest)(p, k, from, few, near, other, slope);
    NAME(lowest)(p, k, from, few, part, share, far);
    for (long i = 0; i < few; i++) {
        const REAL own = other[i] - near[i] * slope[i];
        const int climbs = slope[i] > 0;
        const REAL up = climbs ? slope[i] : gain[i], down = climbs ? loss[i] : slope[i];
        const REAL low = climbs ? own : rising[i], high = climbs ? falling[i] : own;
        const REAL apart = up - down > small ? up - down : small, at = (high - low) / apart;
        near[i] = at < 0 ? 0 : at > 1 ? 1 : at;
    }
    NAME(lowest)(p, k, from, few, near, other, slope);
    for (long i = 0; i < few; i++) {
        const int better = other[i] > share[i];
        part[i] = !crosses[i] ? 0 : better ? near[i] : part[i];
        share[i] = !crosses[i] ? -INFINITY : better ? other[i] : share[i];
    }
    return 1;
}

/* A pavilion's share of depth (n, s) over its points. */
SPREAD static void NAME(shares)(const NAME(Pavilion) *p, REAL *restrict share)
{
    REAL none[NAME(FEW)] = {0}, rise[NAME(FEW)];
    for (long from = 0; from < p->s; from += NAME(FEW)) {
        const long few = p->s - from < NAME(FEW) ? p->s - from : NAME(FEW);
        for (long k = 0; k < p->n; k++)
            NAME(lowest)(p, k, from, few, none, share + k * p->s + from, rise);
    }
}

/* Where between its points and the next a pavilion is deepest, and how deep; (n, s), 0 and the
   share over the point where no two of its lines cross. */
SPREAD static void NAME(ridges)(
    const NAME(Pavilion) *p, const REAL *restrict start, REAL *restrict part, REAL *restrict share)
{
    for (long from = 0; from < p->s; from += NAME(FEW)) {
        const long few = p->s - from < NAME(FEW) ? p->s - from : NAME(FEW);
        for (long k = 0; k < p->n; k++) {
            const long at = k * p->s + from;
            const int any = NAME(crossing)(p, k, from, few, NULL, part + at, share + at);
            for (long i = 0; i < few; i++) {
                part[at + i] = any ? part[at + i] : 0;
                share[at + i] = any && part[at + i] > 0 ? share[at + i] : start[at + i];
            }
        }
    }
}

/* The greatest share of depth (s) over a pavilion's points and anywhere between them. */
SPREAD static void NAME(deepest_of)(const NAME(Pavilion) *p, REAL *restrict most)
{
    REAL none[NAME(FEW)] = {0}, rise[NAME(FEW)], part[NAME(FEW)], share[NAME(FEW)];
    for (long from = 0; from < p->s; from += NAME(FEW)) {
        const long few = p->s - from < NAME(FEW) ? p->s - from : NAME(FEW);
        REAL *restrict best = most + from;
        for (long i = 0; i < few; i++) best[i] = -INFINITY;
        for (long k = 0; k < p->n; k++) {
            NAME(lowest)(p, k, from, few, none, share, rise);
            for (long i = 0; i < few; i++) best[i] = share[i] > best[i] ? share[i] : best[i];
        }
        for (long k = 0; k < p->n; k++)
            if (NAME(crossing)(p, k, from, few, best, part, share))
                for (long i = 0; i < few; i++) best[i] = share[i] > best[i] ? share[i] : best[i];
    }
}

/* Places a part of the way down a ledge from its inner edge, as far out as the outline reaches:
   plan points (2, n, s) and heights (n, s), -inf where it does not cover the ledge. */
SPREAD static void NAME(down)(
    long n, long s, REAL part, const REAL *restrict inner, const REAL *restrict wall,
    const REAL *restrict inner_z, const REAL *restrict outer_z, const REAL *restrict cover,
    const REAL *restrict beyond, REAL *restrict place, REAL *restrict z)
{
    for (long i = 0; i < n * s; i++) {
        const REAL under = cover[i] > -1 ? cover[i] : -1, whole = cover[i] + beyond[i];
        REAL end = under / (whole > (REAL)1e-9 ? whole : (REAL)1e-9);
        end = end < 0 ? 0 : end > 1 ? 1 : end;
        end = part * (beyond[i] <= 0 ? 1 : end);
        place[i] = inner[i] + end * (wall[i] - inner[i]);
        place[n * s + i] = inner[n * s + i] + end * (wall[n * s + i] - inner[n * s + i]);
        const REAL here = inner_z[i] + end * (outer_z[i] - inner_z[i]);
        z[i] = cover[i] > 0 ? here : -INFINITY;
    }
}

/* Of corners of the girdle (f, 2, n) with their shares of depth (f, n) the one that stands highest
   over each run of a ledge: the ledge's height there, -inf for none, and its share; (n, s). */
SPREAD static void NAME(corners)(
    long n, long s, long f, const unsigned char *restrict joined, const REAL *restrict corner,
    const REAL *restrict share, const REAL *restrict depth, const REAL *restrict wall,
    const REAL *restrict way, const REAL *restrict outward, const REAL *restrict inner,
    const REAL *restrict inner_z, const REAL *restrict outer_z, REAL *restrict found,
    REAL *restrict zeta)
{
    const long y = n * s;
    for (long from = 0; from < s; from += NAME(FEW)) {
        const long few = s - from < NAME(FEW) ? s - from : NAME(FEW);
        for (long k = 0; k < n; k++) {
            const long at = k * s + from, to = (k + 1) % n * s + from;
            REAL breadth[NAME(FEW)], broader[NAME(FEW)], best[NAME(FEW)];
            for (long i = 0; i < few; i++) {
                const long j = at + i, l = to + i;
                const REAL out_x = outward[j], out_y = outward[y + j];
                const REAL across =
                    (wall[j] - inner[j]) * out_x + (wall[y + j] - inner[y + j]) * out_y;
                breadth[i] = across > (REAL)1e-4 ? across : (REAL)1e-4;
                broader[i] = (wall[l] - inner[l]) * out_x
                    + (wall[y + l] - inner[y + l]) * out_y - breadth[i];
                best[i] = found[j] = -INFINITY;
                zeta[j] = 0;
            }
            for (long c = 0; c < (joined[k] ? f : 0); c++) {
                const REAL corner_x = corner[2 * c * n + k], corner_y = corner[(2 * c + 1) * n + k];
                const REAL part_of = share[c * n + k];
                for (long i = 0; i < few; i++) {
                    const long j = at + i, l = to + i;
                    const REAL to_x = corner_x - wall[j], to_y = corner_y - wall[y + j];
                    const REAL whole = way[j] * way[j] + way[y + j] * way[y + j];
                    const REAL part = (to_x * way[j] + to_y * way[y + j])
                        / (whole > (REAL)1e-18 ? whole : (REAL)1e-18);
                    const REAL inward = -(to_x * outward[j] + to_y * outward[y + j])
                        / (breadth[i] + part * broader[i]);
                    const REAL fall = outer_z[j] - inner_z[j];
                    const REAL z = outer_z[j] + part * (outer_z[l] - outer_z[j])
                        - inward * (fall + part * (outer_z[l] - inner_z[l] - fall));
                    const REAL rest = z + part_of * depth[from + i];
                    const int better = (part >= 0) & (part <= 1) & (inward >= 0) & (inward <= 1)
                        & (rest > best[i]);
                    best[i] = better ? rest : best[i];
                    found[j] = better ? z : found[j];
                    zeta[j] = better ? part_of : zeta[j];
                }
            }
        }
    }
}

/* Where stones of pavilion depths (d, s) come to rest on places (c, s): the highest of z + depth zeta;
   and how far ledge and pavilion part along n lines down the ledge of `parts` places, in the mean. */
SPREAD void NAME(rest)(
    long c, long n, long parts, long depths, long s, const REAL *restrict z,
    const REAL *restrict zeta, const REAL *restrict pavilions, REAL *restrict bottoms,
    REAL *restrict partings)
{
    for (long block = 0; block < s; block += NAME(FEW))
    for (long d = 0; d < depths; d++) {
        const long from = block, few = s - from < NAME(FEW) ? s - from : NAME(FEW);
        const REAL *restrict pavilion = pavilions + d * s;
        REAL *restrict bottom = bottoms + d * s, *restrict parted = partings + d * s;
        REAL best[NAME(FEW)], all[NAME(FEW)] = {0};
        for (long i = 0; i < few; i++) best[i] = -INFINITY;
        for (long k = 0; k < n; k++) {
            REAL high[NAME(FEW)], low[NAME(FEW)];
            for (long i = 0; i < few; i++) high[i] = -INFINITY, low[i] = INFINITY;
            for (long j = 0; j < parts; j++) {
                const long at = (j * n + k) * s + from;
                for (long i = 0; i < few; i++) {
                    const REAL here = z[at + i] + pavilion[from + i] * zeta[at + i];
                    high[i] = here > high[i] ? here : high[i];
                    low[i] = here < low[i] ? here : low[i];
                }
            }
            for (long i = 0; i < few; i++) {
                best[i] = high[i] > best[i] ? high[i] : best[i];
                all[i] += high[i] > -INFINITY ? high[i] - low[i] : 0;
            }
        }
        for (long k = parts * n; k < c; k++)
            for (long i = 0; i < few; i++) {
                const REAL here = z[k * s + from + i] + pavilion[from + i] * zeta[k * s + from + i];
                best[i] = here > best[i] ? here : best[i];
            }
        for (long i = 0; i < few; i++) {
            bottom[from + i] = best[i];
            parted[from + i] = all[i] / n;
        }
    }
}

/* What metal leaves girdles whose lower planes are at bottoms (d, s), for fields (n, s) judged at
   `height`: least entry and near (d, s), how far it must close (d, s): the greatest gap, or where
   claws of `step` stations close as a whole, of their least. Heights, leans and tops may be alike
   all round (apart 0). Where asked, `inside` (d, n / step, s): the mean gap of each claw. */
SPREAD void NAME(tightest)(
    long n, long s, long step, const REAL *restrict gap, const REAL *restrict near,
    const REAL *restrict height, int height_apart, const REAL *restrict inward,
    const REAL *restrict lean, int lean_apart, const REAL *restrict top, int top_apart,
    const REAL *restrict notch, long depths, const REAL *restrict bottom,
    const REAL *restrict girdle, REAL *restrict entry, REAL *restrict least, REAL *restrict reach,
    REAL *restrict inside)
{
    const REAL none[NAME(FEW)] = {0};
    for (long block = 0; block < s; block += NAME(FEW))
    for (long depth = 0; depth < depths; depth++) {
        const long from = block, few = s - from < NAME(FEW) ? s - from : NAME(FEW);
        const long at = depth * s + from;
        const REAL *restrict low = bottom + at, *restrict thick = girdle + at;
        REAL *restrict mean = inside ? inside + depth * (n / step) * s + from : NULL;
        REAL enters[NAME(FEW)], nearest[NAME(FEW)], wide[NAME(FEW)], claw[NAME(FEW)];
        REAL sum[NAME(FEW)] = {0};
        for (long i = 0; i < few; i++) {
            enters[i] = nearest[i] = claw[i] = INFINITY;
            wide[i] = -INFINITY;
        }
        for (long k = 0; k < n; k++) {
            const REAL *restrict g = gap + k * s + from, *restrict d = near + k * s + from;
            const REAL *restrict in = inward + k * s + from;
            const REAL *restrict z = height + (height_apart ? k * s : 0) + from;
            const REAL *restrict l = lean + (lean_apart ? k * s : 0) + from;
            const REAL *restrict t = top + (top_apart ? k * s : 0) + from;
            const REAL *restrict cut = notch ? notch + k * s + from : none;
            for (long i = 0; i < few; i++) {
                const REAL edge = l[i] > 0 ? low[i] + thick[i] : low[i];
                const REAL closer = (edge - z[i]) * in[i], here = d[i] - closer;
                const REAL at_rim = d[i] - (t[i] - z[i]) * in[i], off = g[i] - closer;
                const REAL lets = (here < at_rim ? here : at_rim) - cut[i];
                enters[i] = lets < enters[i] ? lets : enters[i];
                nearest[i] = here < nearest[i] ? here : nearest[i];
                const REAL closes = step > 1 ? here : off;
                claw[i] = closes < claw[i] ? closes : claw[i];
                sum[i] += off;
            }
            if ((k + 1) % step == 0)
                for (long i = 0; i < few; i++) {
                    wide[i] = claw[i] > wide[i] ? claw[i] : wide[i];
                    claw[i] = INFINITY;
                    if (mean) mean[k / step * s + i] = sum[i] / step;
                    sum[i] = 0;
                }
        }
        for (long i = 0; i < few; i++) {
            entry[at + i] = enters[i];
            least[at + i] = nearest[i];
            reach[at + i] = wide[i];
        }
    }
}

/* The runs from each of points (2, n, s) to the next: way (2, n, s), length (n, s), outward. */
SPREAD void NAME(runs)(
    long n, long s, const REAL *restrict point, REAL *restrict way, REAL *restrict length,
    REAL *restrict outward)
{
    const long y = n * s;
    for (long k = 0; k < n; k++) {
        const long at = k * s, to = (k + 1) % n * s;
        for (long i = 0; i < s; i++) {
            const REAL u = point[to + i] - point[at + i], v = point[y + to + i] - point[y + at + i];
            const REAL square = u * u + v * v;
            const REAL size = ROOT(square > (REAL)1e-18 ? square : (REAL)1e-18);
            way[at + i] = u;
            way[y + at + i] = v;
            length[at + i] = size;
            outward[at + i] = v / size;
            outward[y + at + i] = -u / size;
        }
    }
}

/* What a pose is judged by; see `placement._Plan`. Without an inner edge `inner` is NULL, where
   ledge is left all round `bare`, where stones are as long as their form `longer`. Bounds are (s),
   those of single claws (c, s). Normals (2, f) and reaches are in double precision; `other` are
   those of the form that is longer by `part`. */
typedef struct {
    long n, s, nominal, sectors, step, f, others;
    int mirrored, claws, cut, low_apart, high_apart;
    const unsigned char *joined, *bare;
    const REAL *point, *way, *outward, *facing, *inner, *low, *high, *cover_low, *longer;
    const double *normal, *reach, *other_normal, *other_reach;
    double part, drift, ample;
} NAME(Plan);

/* How many slacks a plan has. */
static long NAME(slacks_of)(const NAME(Plan) *p)
{
    const long size = (p->n + p->sectors - 1) / p->sectors, round = (p->n + size - 1) / size;
    const long claws = p->n / p->step;
    if (p->claws && !p->cut) return 2 * claws + (p->inner ? round : 0);
    return round + (p->claws ? claws : round) + (p->inner ? round : 0);
}

/* What gaps of the nominal seat's points (n, 2) gain, in `shape` and `square` (n), where stones are
   longer; `off` (n) is how far off they are, along normals `first`. */
static void NAME(shape_of)(
    const NAME(Plan) *p, const double *here, const long *first, const double *off, double *there,
    long *along, double *true_off, REAL *shape, REAL *square)
{
    for (long k = 0; k < p->n; k++) {
        there[2 * k] = here[2 * k] * (1 + p->part);
        there[2 * k + 1] = here[2 * k + 1];
    }
    nearest(
        p->n, p->others, p->mirrored, there, p->other_normal, p->other_reach, along, NULL,
        true_off);
    for (long k = 0; k < p->n; k++) {
        const double x = p->normal[first[k]];
        square[k] = (REAL)(x * x);
        shape[k] = (REAL)((true_off[k] - off[k]) / p->part - x * x * off[k] - p->drift * x);
    }
}

/* Points (2, n, s) as seen from stones at shifts (2, s); the nominal seat's also alone (n, 2). */
static void NAME(moved)(
    long n, long s, long nominal, const REAL *restrict point, const REAL *restrict shift,
    REAL *restrict seen, double *restrict here)
{
    for (long axis = 0; axis < 2; axis++)
        for (long k = 0; k < n; k++) {
            const long at = (axis * n + k) * s;
            for (long i = 0; i < s; i++) seen[at + i] = point[at + i] - shift[axis * s + i];
            here[2 * k + axis] = seen[at + nominal];
        }
}

/* Clearances to widen (k, s), stations' tightest, and their directions (2, k, s) at shifts (2, s);
   see `placement._slacks`. */
SPREAD static void NAME(slacks_at)(
    const NAME(Plan) *p, const REAL *restrict shift, REAL *restrict slack, REAL *restrict direction)
{
    const long n = p->n, s = p->s, whole = n * s, all = NAME(slacks_of)(p);
    const long size = (n + p->sectors - 1) / p->sectors, round = (n + size - 1) / size;
    REAL *const room = malloc((5 * whole + 16 * n + 3 * (n + 2) * s) * sizeof(REAL));
    double *const here = malloc(6 * n * sizeof(double));
    long *const first = malloc(3 * n * sizeof(long));
    REAL *const moved = room, *const gap = room + 2 * whole, *const near = room + 3 * whole;
    REAL *const slope = room + 5 * whole, *const level = slope + 4 * n, *const side = level + 2 * n;
    REAL *const shape = side + 4 * n, *const square = shape + n, *const part = side + 10 * n;
    double *const off = here + 2 * n, *const there = here + 3 * n, *const true_off = here + 5 * n;
    long *const second = first + n, *const along = first + 2 * n;
    long filled = 0;

    for (int edge = 0; edge < (p->inner ? 2 : 1); edge++) {
        const REAL *const from = edge ? p->inner : p->point;
        NAME(moved)(n, s, p->nominal, from, shift, moved, here);
        nearest(
            n, p->f, p->mirrored, here, p->normal, p->reach, first, edge ? second : NULL, off);
        for (long j = 0; j <= edge; j++)
            for (long k = 0; k < n; k++) {
                const long m = j ? second[k] : first[k];
                const int back = p->mirrored && here[2 * k + 1] < 0;
                slope[2 * j * n + k] = (REAL)p->normal[m];
                slope[(2 * j + 1) * n + k] = (REAL)p->normal[p->f + m];
                level[j * n + k] = (REAL)p->reach[m];
                side[2 * j * n + k] = slope[2 * j * n + k];
                side[(2 * j + 1) * n + k] = (back ? -1 : 1) * slope[(2 * j + 1) * n + k];
            }
        NAME(greatest)(n, s, edge + 1, p->mirrored, moved, slope, level, gap);
        if (p->longer)
            NAME(shape_of)(p, here, first, off, there, along, true_off, shape, square);
        if (!edge) {
            NAME(nearest_of_run)(
                n, s, p->joined, moved, p->way, p->outward, p->facing, gap, near);
            if (p->longer) {
                NAME(relieve)(n, s, p->longer, shape, square, gap);
                NAME(relieve)(n, s, p->longer, shape, square, near);
            }
            if (p->claws && !p->cut) { /* a claw is bent as a whole */
                const long claws = n / p->step;
                for (long c = 0; c < claws; c++) {
                    REAL x = 0, y = 0;
                    for (long k = c * p->step; k < (c + 1) * p->step; k++)
                        x += side[k] / p->step, y += side[n + k] / p->step;
                    for (long i = 0; i < s; i++) {
                        REAL mean = 0;
                        for (long k = c * p->step; k < (c + 1) * p->step; k++)
                            mean += gap[k * s + i];
                        mean /= p->step;
                        slack[c * s + i] = mean - p->low[(p->low_apart ? c * s : 0) + i];
                        slack[(claws + c) * s + i] =
                            p->high[(p->high_apart ? c * s : 0) + i] - mean;
                        direction[c * s + i] = x;
                        direction[(all + c) * s + i] = y;
                        direction[(claws + c) * s + i] = -x;
                        direction[(all + claws + c) * s + i] = -y;
                    }
                }
                filled = 2 * claws;
                continue;
            }
            for (int wide = 0; wide < 2; wide++) {
                const long each = wide && p->claws ? p->step : size, k = (n + each - 1) / each;
                if (wide && !p->claws)
                    NAME(of_sectors)(
                        n, s, size, 1, 1, gap, p->high, NULL, NULL, 0, side, slack + filled * s,
                        part);
                else
                    NAME(of_sectors)(
                        n, s, each, 0, wide, near, wide ? p->high : p->low, gap, p->outward, 1,
                        side, slack + filled * s, part);
                memcpy(direction + filled * s, part, k * s * sizeof(REAL));
                memcpy(direction + (all + filled) * s, part + k * s, k * s * sizeof(REAL));
                filled += k;
            }
            continue;
        }
        if (p->longer) NAME(relieve)(n, s, p->longer, shape, square, gap);
        NAME(greatest)(n, s, 1, p->mirrored, moved, slope + 2 * n, level + n, near);
        for (long k = 0; k < n; k++)
            for (long i = 0; i < s; i++) {
                gap[k * s + i] = p->bare && p->bare[k] ? (REAL)p->ample : -gap[k * s + i];
                near[k * s + i] = -near[k * s + i];
            }
        for (long k = 0; k < 4 * n; k++) side[k] = -side[k];
        NAME(of_sectors)(
            n, s, size, 0, 0, gap, p->cover_low, near, side, 0, side + 2 * n, slack + filled * s,
            part);
        memcpy(direction + filled * s, part, round * s * sizeof(REAL));
        memcpy(direction + (all + filled) * s, part + round * s, round * s * sizeof(REAL));
    }
    free(room);
    free(here);
    free(first);
}

/* One step of all seats from `start` (2, s) toward where their least slack is widest. */
SPREAD void NAME(stepped)(
    const NAME(Plan) *p, long steps, const double *taus, const REAL *restrict start,
    REAL *restrict shift)
{
    const long s = p->s, k = NAME(slacks_of)(p);
    REAL *const slack = malloc(3 * k * s * sizeof(REAL));
    NAME(slacks_at)(p, start, slack, slack + k * s);
    NAME(widest_least)(k, s, steps, taus, slack, slack + k * s, shift);
    for (long i = 0; i < 2 * s; i++) shift[i] += start[i];
    free(slack);
}

/* Step by step from `start` (2, s) to where the least slack is widest; whether all settled. */
SPREAD int NAME(centred)(
    const NAME(Plan) *p, long rounds, double settled, long steps, const double *taus,
    const REAL *restrict start, REAL *restrict best)
{
    const long s = p->s, k = NAME(slacks_of)(p);
    REAL *const slack = malloc((3 * k * s + 8 * s) * sizeof(REAL)), *const normal = slack + k * s;
    REAL *const here = normal + 2 * k * s, *const step = here + 2 * s, *const before = here + 4 * s;
    REAL *const least = here + 6 * s, *const most = here + 7 * s;
    int done = 0;
    memcpy(here, start, 2 * s * sizeof(REAL));
    memcpy(best, start, 2 * s * sizeof(REAL));
    for (long i = 0; i < s; i++) before[i] = before[s + i] = 0, most[i] = -INFINITY;
    for (long round = 0; round <= rounds && !done; round++) {
        REAL far = 0;
        NAME(slacks_at)(p, here, slack, normal);
        for (long i = 0; i < s; i++) least[i] = INFINITY;
        for (long j = 0; j < k; j++)
            for (long i = 0; i < s; i++)
                least[i] = slack[j * s + i] < least[i] ? slack[j * s + i] : least[i];
        for (long i = 0; i < s; i++) {
            const int better = least[i] > most[i];
            best[i] = better ? here[i] : best[i];
            best[s + i] = better ? here[s + i] : best[s + i];
            most[i] = better ? least[i] : most[i];
        }
        if (round == rounds) break;
        NAME(widest_least)(k, s, steps, taus, slack, normal, step);
        for (long i = 0; i < s; i++) {
            /* Where the tightest stations change from side to side it swings: half the way back. */
            const REAL turn = step[i] * before[i] + step[s + i] * before[s + i];
            const REAL kept = turn < 0 ? (REAL)0.5 : 1;
            for (long axis = 0; axis < 2; axis++) {
                const long j = axis * s + i;
                step[j] *= kept;
                here[j] += step[j];
                before[j] = step[j];
                const REAL size = step[j] < 0 ? -step[j] : step[j];
                far = size > far ? size : far;
            }
        }
        done = far < settled;
    }
    if (done) memcpy(best, here, 2 * s * sizeof(REAL));
    free(slack);
    return done;
}

/* Which of r corners of the girdle (r, 2) with their shares of depth stand highest over each run of
   the nominal seat's ledge, also a little `beside` it: `count` numbers for each, (count, n). */
SPREAD static void NAME(highest)(
    long n, long s, long nominal, long r, long count, REAL beside, const REAL *restrict corner,
    const REAL *restrict share, REAL depth, const REAL *restrict wall, const REAL *restrict way,
    const REAL *restrict outward, const REAL *restrict inner, const REAL *restrict inner_z,
    const REAL *restrict outer_z, long *restrict chosen)
{
    const long y = n * s;
    REAL *const rest = malloc(r * sizeof(REAL));
    for (long k = 0; k < n; k++) {
        const long j = k * s + nominal, l = (k + 1) % n * s + nominal;
        const REAL out_x = outward[j], out_y = outward[y + j], at_x = wall[j], at_y = wall[y + j];
        const REAL way_x = way[j], way_y = way[y + j], whole = way_x * way_x + way_y * way_y;
        const REAL over = 1 / (whole > (REAL)1e-18 ? whole : (REAL)1e-18);
        const REAL across = (at_x - inner[j]) * out_x + (at_y - inner[y + j]) * out_y;
        const REAL breadth = across > (REAL)1e-4 ? across : (REAL)1e-4;
        const REAL broader =
            (wall[l] - inner[l]) * out_x + (wall[y + l] - inner[y + l]) * out_y - breadth;
        const REAL z = outer_z[j], higher = outer_z[l] - z, fall = z - inner_z[j];
        const REAL steeper = outer_z[l] - inner_z[l] - fall, most = (REAL)0.5 + beside;
        for (long c = 0; c < r; c++) {
            const REAL to_x = corner[2 * c] - at_x, to_y = corner[2 * c + 1] - at_y;
            const REAL part = (to_x * way_x + to_y * way_y) * over;
            const REAL inward = -(to_x * out_x + to_y * out_y) / (breadth + part * broader);
            const REAL high = z + part * higher - inward * (fall + part * steeper);
            const REAL p = part - (REAL)0.5, q = inward - (REAL)0.5;
            const int on = (p <= most) & (-p <= most) & (q <= most) & (-q <= most);
            rest[c] = on ? high + depth * share[c] : -INFINITY;
        }
        for (long m = 0; m < count; m++) {
            long best = 0;
            for (long c = 1; c < r; c++)
                if (rest[c] > rest[best]) best = c;
            chosen[m * n + k] = best;
            rest[best] = -INFINITY;
        }
    }
    free(rest);
}

/* How many of s draws hold all of r margins (n, k, r, s) at depths (d), each a part of the way from
   depth `after` - 1 to depth `after`; (n, d). */
SPREAD void NAME(held)(
    long n, long k, long r, long s, long d, const REAL *restrict margin,
    const long *restrict after, const double *restrict part, long *restrict count)
{
    for (long i = 0; i < n; i++)
        for (long j = 0; j < d; j++) {
            const REAL to = (REAL)part[j], from = 1 - to;
            const REAL *restrict low = margin + (i * k + after[j] - 1) * r * s;
            const REAL *restrict high = low + r * s;
            long all = 0;
            for (long start = 0; start < s; start += NAME(FEW)) {
                const long few = s - start < NAME(FEW) ? s - start : NAME(FEW);
                REAL least[NAME(FEW)];
                for (long l = 0; l < few; l++) least[l] = INFINITY;
                for (long m = 0; m < r; m++)
                    for (long l = 0; l < few; l++) {
                        const long at = m * s + start + l;
                        const REAL here = from * low[at] + to * high[at];
                        least[l] = here < least[l] ? here : least[l];
                    }
                for (long l = 0; l < few; l++) all += least[l] >= 0;
            }
            count[i * d + j] = all;
        }
}

/* Numbers of the outline's normals tried for points whose own are `first` (n): these, eight fanned
   to both sides of them, and where there are some the `second`; (9 or 10, n). Angles of normals
   (f) rise; `middle` (f) is half-way to each from the one before. See `clearance`. */
static void NAME(fanned)(
    long n, long f, const double *angle, const double *middle, const double *fan, const long *first,
    const long *second, long *tried)
{
    const double whole = 6.283185307179586;
    for (long k = 0; k < n; k++) {
        const double own = angle[first[k]];
        tried[k] = first[k];
        for (int side = 0; side < 2; side++) {
            const long beside = first[side ? (k + n - 1) % n : (k + 1) % n];
            double way = side ? own - angle[beside] : angle[beside] - own;
            way -= whole * floor((way + whole / 2) / whole);
            way = way < fan[4] ? fan[4] : way > fan[5] ? fan[5] : way;
            for (int j = 0; j < 4; j++) {
                const double by = j ? fan[j] * way : fan[0];
                double to = (side ? own - by : own + by) - middle[0];
                to += middle[0] - whole * floor(to / whole);
                long low = 0, high = f;
                while (high - low > 1) {
                    const long half = (low + high) / 2;
                    if (middle[half] <= to) low = half; else high = half;
                }
                tried[(1 + 4 * side + j) * n + k] = low;
            }
        }
        if (second) tried[9 * n + k] = second[k];
    }
}

/* Gap and near (n, s) of metal, and the cover (n, s) of a ledge, at shifts (2, s) in mm, many
   normals tried at each point; and the nominal seat's normals (2, n). `fan` are the close angle,
   three parts, and the least and most that they are parts of. */
SPREAD void NAME(clear)(
    const NAME(Plan) *p, const REAL *restrict shift, const REAL *restrict width,
    const double *angle, const double *middle, const double *fan, REAL *restrict gap,
    REAL *restrict near, REAL *restrict cover, double *restrict normal)
{
    const long n = p->n, s = p->s, whole = n * s;
    REAL *const moved = malloc((2 * whole + 32 * n) * sizeof(REAL));
    double *const here = malloc(6 * n * sizeof(double));
    long *const first = malloc(13 * n * sizeof(long));
    REAL *const slope = moved + 2 * whole, *const level = slope + 20 * n;
    REAL *const shape = level + 10 * n, *const square = shape + n;
    double *const off = here + 2 * n, *const there = here + 3 * n, *const true_off = here + 5 * n;
    long *const second = first + n, *const along = first + 2 * n, *const tried = first + 3 * n;

    for (int edge = 0; edge < (p->inner ? 2 : 1); edge++) {
        const REAL *const from = edge ? p->inner : p->point;
        REAL *const found = edge ? cover : gap;
        const long count = 9 + edge;
        NAME(moved)(n, s, p->nominal, from, shift, moved, here);
        nearest(
            n, p->f, p->mirrored, here, p->normal, p->reach, first, edge ? second : NULL, off);
        NAME(fanned)(n, p->f, angle, middle, fan, first, edge ? second : NULL, tried);
        for (long j = 0; j < count; j++)
            for (long k = 0; k < n; k++) {
                const long m = tried[j * n + k];
                slope[2 * j * n + k] = (REAL)p->normal[m];
                slope[(2 * j + 1) * n + k] = (REAL)p->normal[p->f + m];
                level[j * n + k] = (REAL)p->reach[m];
            }
        NAME(greatest)(n, s, count, p->mirrored, moved, slope, level, found);
        if (!edge) {
            NAME(nearest_of_run)(
                n, s, p->joined, moved, p->way, p->outward, p->facing, gap, near);
            for (long k = 0; k < n; k++) {
                const int back = p->mirrored && here[2 * k + 1] < 0;
                normal[k] = p->normal[first[k]];
                normal[n + k] = (back ? -1 : 1) * p->normal[p->f + first[k]];
            }
        }
        if (p->longer) {
            NAME(shape_of)(p, here, first, off, there, along, true_off, shape, square);
            NAME(relieve)(n, s, p->longer, shape, square, found);
            if (!edge) NAME(relieve)(n, s, p->longer, shape, square, near);
        }
        for (long k = 0; k < n; k++)
            for (long i = 0; i < s; i++) {
                const long at = k * s + i;
                if (edge)
                    cover[at] = p->bare && p->bare[k] ? INFINITY : -cover[at] * width[i];
                else
                    gap[at] *= width[i], near[at] *= width[i];
            }
    }
    free(moved);
    free(here);
    free(first);
}

/* The facets of a pavilion of which some are tried, and those of the form that is longer by `part`,
   whose middle goes `drift` as far along; `by` (s) is how much longer each stone is, NULL if none.
   Steepness (f, 2) and levels (f) in double precision. */
typedef struct {
    long f, tried, others;
    int mirrored;
    const double *steep, *level, *other_steep, *other_level;
    const REAL *by;
    double part, drift;
} NAME(Facets);

/* Lay out the facets of a pavilion that come closest to being least over points (2, n, s) of the
   nominal seat; `room` for 3 f (f tried) + 2 numbers each point. */
static NAME(Pavilion) NAME(over)(
    const NAME(Facets) *facet, long n, long s, long nominal, const REAL *point, const REAL *way,
    REAL *room)
{
    const long f = facet->tried;
    REAL *const slope = room, *const level = room + 2 * f * n, *const gain = level + f * n;
    REAL *const further = gain + n;
    double *const here = malloc((6 + 3 * f) * n * sizeof(double)), *const there = here + 2 * n;
    double *const own = here + 4 * n, *const longer = here + 5 * n, *const found = here + 6 * n;
    for (long k = 0; k < n; k++) {
        here[2 * k] = point[k * s + nominal];
        here[2 * k + 1] = point[(n + k) * s + nominal];
        there[2 * k] = here[2 * k] * (1 + facet->part) - facet->drift * facet->part;
        there[2 * k + 1] = here[2 * k + 1];
    }
    facets(
        n, facet->f, f, facet->mirrored, here, facet->steep, facet->level, found,
        found + 2 * f * n);
    for (long k = 0; k < 3 * f * n; k++) room[k] = (REAL)found[k];
    if (facet->by) {
        deep(n, facet->f, facet->mirrored, here, facet->steep, facet->level, own);
        deep(
            n, facet->others, facet->mirrored, there, facet->other_steep, facet->other_level,
            longer);
        for (long k = 0; k < n; k++) gain[k] = (REAL)((longer[k] - own[k]) / facet->part);
        for (long k = 0; k < n; k++) further[k] = gain[(k + 1) % n] - gain[k];
    }
    free(here);
    return (NAME(Pavilion)){
        .n = n, .s = s, .f = f, .mirrored = facet->mirrored, .point = point, .way = way,
        .slope = slope, .level = level, .by = facet->by, .gain = gain, .further = further};
}

/* The ways (2, n, s) from each of points (2, n, s) to the next. */
static void NAME(ways)(long n, long s, const REAL *restrict point, REAL *restrict way)
{
    for (long axis = 0; axis < 2; axis++)
        for (long k = 0; k < n; k++) {
            const long at = (axis * n + k) * s, to = (axis * n + (k + 1) % n) * s;
            for (long i = 0; i < s; i++) way[at + i] = point[to + i] - point[at + i];
        }
}

/* The greatest share of a pavilion's depth (s) over points (2, n, s) and anywhere between them. */
void NAME(deepest)(
    const NAME(Facets) *facet, long n, long s, long nominal, const REAL *point, REAL *most)
{
    REAL *const room = malloc((2 * n * s + (3 * facet->tried + 2) * n) * sizeof(REAL));
    NAME(ways)(n, s, point, room);
    const NAME(Pavilion) p =
        NAME(over)(facet, n, s, nominal, point, room, room + 2 * n * s);
    NAME(deepest_of)(&p, most);
    free(room);
}

/* What a stone may rest on: its places on a ledge from the wall (2, n, s) to the inner edge, heights
   z and shares of depth zeta, (parts + 2) n by s. First those at `part`s of the way down, the first
   of them 0, as far out as the outline reaches; then ridges that cross the inner edge; then corners
   of the girdle, of r (r, 2) the `count` that are highest in the nominal seat. */
void NAME(touched)(
    const NAME(Facets) *facet, long n, long s, long nominal, long parts, const double *part,
    const unsigned char *joined, const REAL *wall, const REAL *way, const REAL *outward,
    const REAL *inner, const REAL *inner_z, const REAL *outer_z, const REAL *cover,
    const REAL *beyond, long r, long count, double beside, const REAL *rim, const REAL *rim_share,
    const REAL *depth, REAL *z, REAL *zeta)
{
    const long whole = n * s;
    REAL *const room = malloc(
        (6 * whole + (6 * facet->tried + 4 + 3 * count) * n) * sizeof(REAL));
    long *const chosen = malloc(count * n * sizeof(long));
    REAL *const under = room, *const place = room + whole, *const run = room + 3 * whole;
    REAL *const along = room + 5 * whole, *const first = room + 6 * whole;
    REAL *const next = first + (3 * facet->tried + 2) * n;
    REAL *const corner = next + (3 * facet->tried + 2) * n, *const share = corner + 2 * count * n;
    /* Where no ledge is left there is nothing to touch. */
    for (long i = 0; i < whole; i++) under[i] = cover[i] < INFINITY ? cover[i] : -INFINITY;
    NAME(ways)(n, s, inner, run);
    const NAME(Pavilion) edge = NAME(over)(facet, n, s, nominal, inner, run, first);
    NAME(shares)(&edge, zeta);
    for (long i = 0; i < whole; i++) z[i] = under[i] > 0 ? inner_z[i] : -INFINITY;
    for (long j = 1; j < parts; j++) {
        NAME(down)(
            n, s, (REAL)part[j], inner, wall, inner_z, outer_z, under, beyond, place,
            z + j * whole);
        const NAME(Pavilion) down = NAME(over)(facet, n, s, nominal, place, run, next);
        NAME(shares)(&down, zeta + j * whole);
    }
    z += parts * whole;
    NAME(ridges)(&edge, zeta, along, zeta + parts * whole);
    for (long k = 0; k < n; k++)
        for (long i = 0; i < s; i++) {
            const long j = k * s + i, to = (k + 1) % n * s + i;
            const int on = joined[k] && under[j] > 0 && under[to] > 0;
            z[j] = on ? inner_z[j] + along[j] * (inner_z[to] - inner_z[j]) : -INFINITY;
        }
    NAME(highest)(
        n, s, nominal, r, count, (REAL)beside, rim, rim_share, depth[nominal], wall, way, outward,
        inner, inner_z, outer_z, chosen);
    for (long c = 0; c < count; c++)
        for (long k = 0; k < n; k++) {
            const long m = chosen[c * n + k];
            corner[2 * c * n + k] = rim[2 * m];
            corner[(2 * c + 1) * n + k] = rim[2 * m + 1];
            share[c * n + k] = rim_share[m];
        }
    NAME(corners)(
        n, s, count, joined, corner, share, depth, wall, way, outward, inner, inner_z, outer_z,
        z + whole, zeta + (parts + 1) * whole);
    free(room);
    free(chosen);
}
