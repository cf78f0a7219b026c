/* Cubics fitted to many spans: what `bezier.py` does in numpy, eight spans at a time.

   Every sum is taken in the same order and every value rounded to single precision at the same
   place, so both give the same bits (compiled without fused multiply and add). The package works
   without this module, only slower.

   Values of eight spans lie side by side in a vector, which every processor of today adds and
   multiplies at once (vectors as GCC and Clang have them). */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>

#define MOST_SAMPLES 1024
#define L 8
#define EACH for (int l = 0; l < L; l++)

/* Made anew for the numbers of samples most spans have: with their loops unrolled. */
#if !defined(__GNUC__)
#error "vectors are needed; without this module numpy is used"
#endif
#define INLINE static inline __attribute__((always_inline))

typedef float Lanes __attribute__((vector_size(4 * L), aligned(4)));
typedef int32_t Mask __attribute__((vector_size(4 * L), aligned(4)));

/* Samples of eight spans, their tolerances and parameters; what is only for work. */
typedef struct {
    Lanes *x, *y, *tolerance, *u, *off, *b1, *b2, *ends;
} Samples;

/* Tangents at both ends, handles, the worst sample and where it is. */
typedef struct {
    Lanes start_x, start_y, end_x, end_y, inner[2], worst;
    Mask at;
} Spans;

typedef struct {
    Lanes b11, b12, b22, x1, y1, x2, y2;
} Sums;

typedef struct {
    float inner[2], worst, at;
} Cubic;

typedef struct {
    float start_x, start_y, end_x, end_y;
} Ways;

typedef struct {
    const double *points;
    const float *tolerance;
    const int64_t *first, *last;
    const float *start, *end;
    Cubic *cubics;
    Ways *freed;
    int64_t spans;
    int count, few, rounds;
    float share, hopeless;
    double worth;
} Task;

INLINE Lanes pick(Mask which, Lanes one, Lanes other)
{
    return (Lanes)((which & (Mask)one) | (~which & (Mask)other));
}

INLINE Lanes all_of(float value)
{
    Lanes lanes = {0};
    return lanes + value;
}

INLINE Lanes least(Lanes a, Lanes b) { return pick(a > b, b, a); }
INLINE Lanes most(Lanes a, Lanes b) { return pick(a < b, b, a); }

INLINE Lanes root(Lanes value)
{
    EACH value[l] = sqrtf(value[l]);
    return value;
}

/* Products summed up as rows of four: of sixteen the last four first, then these four. */
INLINE Lanes summed(const Lanes *one, const Lanes *other, int count)
{
    Lanes sums[4] = {{0}, {0}, {0}, {0}};
    int many = count / 16 * 16;
    for (int four = 0; four < count; four += 4) {
        int at = four < many ? four / 16 * 16 + 12 - four % 16 : four;
        for (int k = 0; k < 4; k++)
            sums[k] += one[at + k] * other[at + k];
    }
    return (sums[0] + sums[1]) + (sums[2] + sums[3]);
}

/* The samples of one span, into its lane. */
INLINE void sample(const Task *task, int64_t span, int count, const Samples *to, int l)
{
    int64_t first = task->first[span], last = task->last[span];
    double x = task->points[2 * first], y = task->points[2 * first + 1];
    float steps = (float)(last - first), whole = (float)(count - 1);
    for (int k = 0; k < count; k++) {
        float exact = (float)k / whole * steps;
        int64_t at = first + (int64_t)lrintf(exact);
        to->tolerance[k][l] = task->tolerance[at] * task->share;
        if (count > task->few) {
            to->x[k][l] = (float)(task->points[2 * at] - x);
            to->y[k][l] = (float)(task->points[2 * at + 1] - y);
            continue;
        }
        /* with as many samples as points, some must lie between: a cubic may bulge there */
        int64_t low = (int64_t)exact;
        if (low > last - first - 1)
            low = last - first - 1;
        float between = exact - (float)low;
        const double *near = task->points + 2 * (first + low);
        to->x[k][l] = (float)((near[0] - x) + (double)between * (near[2] - near[0]));
        to->y[k][l] = (float)((near[1] - y) + (double)between * (near[3] - near[1]));
    }
}

/* Parameters by the length of chords. */
INLINE void spread(const Samples *q, int count)
{
    Lanes so_far = all_of(0.0f);
    q->u[0] = so_far;
    for (int k = 1; k < count; k++) {
        Lanes x = q->x[k] - q->x[k - 1], y = q->y[k] - q->y[k - 1];
        so_far += root(x * x + y * y);
        q->u[k] = so_far;
    }
    so_far = most(so_far, all_of(1e-6f));
    for (int k = 0; k < count; k++)
        q->u[k] /= so_far;
}

INLINE Sums normal_sums(const Samples *q, int count)
{
    for (int k = 0; k < count; k++) {
        Lanes u = q->u[k], square = u * u, left = 1.0f - u;
        Lanes b2 = left * square * 3.0f;
        q->b2[k] = b2;
        q->b1[k] = u * left * 3.0f - b2;
        q->ends[k] = (3.0f - 2.0f * u) * square;
    }
    Lanes e1 = summed(q->b1, q->ends, count), e2 = summed(q->b2, q->ends, count);
    Lanes x = q->x[count - 1], y = q->y[count - 1];
    Sums sums = {summed(q->b1, q->b1, count),         summed(q->b1, q->b2, count),
                 summed(q->b2, q->b2, count),         summed(q->b1, q->x, count) - e1 * x,
                 summed(q->b1, q->y, count) - e1 * y, summed(q->b2, q->x, count) - e2 * x,
                 summed(q->b2, q->y, count) - e2 * y};
    return sums;
}

/* Handles by least squares, shortened until the cubic advances along its chord. */
INLINE void handles(const Samples *q, int count, Spans *to)
{
    Sums s = normal_sums(q, count);
    Lanes x = q->x[count - 1], y = q->y[count - 1], none = all_of(0.0f);
    Lanes length = most(root(x * x + y * y), all_of(1e-6f));
    Lanes c12 = s.b12 * -(to->start_x * to->end_x + to->start_y * to->end_y);
    Lanes x1 = to->start_x * s.x1 + to->start_y * s.y1;
    Lanes x2 = -(to->end_x * s.x2 + to->end_y * s.y2);
    Lanes det = s.b11 * s.b22 - c12 * c12;
    Mask flat = det <= 1e-4f * s.b11 * s.b22;
    det = pick(flat, all_of(1.0f), det);
    Lanes one = pick(flat, length / 3.0f, (s.b22 * x1 - c12 * x2) / det);
    Lanes two = pick(flat, length / 3.0f, (s.b11 * x2 - c12 * x1) / det);
    one = most(one, 0.02f * length);
    two = most(two, 0.02f * length);
    Lanes lean = (to->start_x * x + to->start_y * y) / length;
    Lanes other = (to->end_x * x + to->end_y * y) / length;
    Lanes advance = one * most(lean, none) + two * most(other, none);
    Lanes shrink = least(all_of(1.0f), 0.98f * length / most(advance, all_of(1e-9f)));
    to->inner[0] = least(one, 2.0f * length) * shrink;
    to->inner[1] = least(two, 2.0f * length) * shrink;
}

/* Parameters moved to the foot of their samples; squared distances there. */
INLINE void nearer(const Samples *q, int count, const Spans *of)
{
    Lanes x3 = q->x[count - 1], y3 = q->y[count - 1];
    Lanes x1 = 3.0f * of->inner[0] * of->start_x, y1 = 3.0f * of->inner[0] * of->start_y;
    Lanes x2 = 3.0f * (x3 - of->inner[1] * of->end_x) - 2.0f * x1;
    Lanes y2 = 3.0f * (y3 - of->inner[1] * of->end_y) - 2.0f * y1;
    x3 = x3 - x1 - x2;
    y3 = y3 - y1 - y2;
    for (int k = 0; k < count; k++) {
        Lanes u = q->u[k];
        Lanes way_x = x3 * u, way_y = y3 * u;
        Lanes x = way_x + x2, y = way_y + y2;
        way_x = (way_x + x) * u;
        way_y = (way_y + y) * u;
        x = x * u + x1;
        y = y * u + y1;
        way_x += x;
        way_y += y;
        x = x * u - q->x[k];
        y = y * u - q->y[k];
        Lanes across = most(way_x * way_x + way_y * way_y, all_of(1e-9f));
        Lanes along = way_x * x + way_y * y;
        Lanes moved = least(most(u - along / across, all_of(0.0f)), all_of(1.0f));
        moved = k == 0 ? all_of(0.0f) : k == count - 1 ? all_of(1.0f) : moved;
        /* the square of what the step leaves */
        Lanes step = u - moved;
        across = (across * step - along * 2.0f) * step + (x * x + y * y);
        q->off[k] = most(across, all_of(0.0f));
        q->u[k] = moved;
    }
}

INLINE void one_round(const Samples *q, int count, Spans *to)
{
    handles(q, count, to);
    nearer(q, count, to);
    Lanes worst = q->off[0] / (q->tolerance[0] * q->tolerance[0]);
    Mask at = {0};
    for (int k = 1; k < count; k++) {
        Lanes off = q->off[k] / (q->tolerance[k] * q->tolerance[k]);
        Mask more = off > worst;
        at = (more & k) | (~more & at);
        worst = pick(more, off, worst);
    }
    Lanes x = q->x[count - 1], y = q->y[count - 1];
    Mask backward = to->start_x * x + to->start_y * y < 0.0f;
    backward |= to->end_x * x + to->end_y * y < 0.0f;
    to->worst = pick(backward, all_of(INFINITY), root(worst));
    to->at = at;
}

/* The directions that both ends would take with no tangent asked of them. */
INLINE void free_ways(const Samples *q, int count, Spans *to)
{
    Sums s = normal_sums(q, count);
    Lanes det = most(s.b11 * s.b22 - s.b12 * s.b12, all_of(1e-9f));
    to->start_x = (s.b22 * s.x1 - s.b12 * s.x2) / det;
    to->start_y = (s.b22 * s.y1 - s.b12 * s.y2) / det;
    to->end_x = -((s.b11 * s.x2 - s.b12 * s.x1) / det);
    to->end_y = -((s.b11 * s.y2 - s.b12 * s.y1) / det);
}

INLINE Cubic cubic_of(const Spans *spans, int l, int count)
{
    float at = (float)((double)spans->at[l] / (double)(count - 1));
    Cubic cubic = {{spans->inner[0][l], spans->inner[1][l]}, spans->worst[l], at};
    return cubic;
}

/* Of eight spans from `span` on four planes are kept, four more are for all to work in. */
INLINE Samples samples_of(Lanes *scratch, int64_t span, int count)
{
    Lanes *own = scratch + 4 * count * (1 + span / L);
    Samples q = {own,     own + count,     own + 2 * count,     own + 3 * count,
                 scratch, scratch + count, scratch + 2 * count, scratch + 3 * count};
    return q;
}

INLINE void ways_of(const Task *task, int64_t span, Spans *to)
{
    EACH {
        int64_t at = 2 * (span + l < task->spans ? span + l : task->spans - 1);
        to->start_x[l] = task->start[at], to->start_y[l] = task->start[at + 1];
        to->end_x[l] = task->end[at], to->end_y[l] = task->end[at + 1];
    }
}

INLINE void fit_some(const Task *task, Lanes *scratch, int count)
{
    int64_t hopeful = 0;
    Spans spans = {{0}};
    for (int64_t s = 0; s < task->spans; s += L) {
        Samples q = samples_of(scratch, s, count);
        EACH sample(task, s + l < task->spans ? s + l : task->spans - 1, count, &q, l);
        ways_of(task, s, &spans);
        spread(&q, count);
        one_round(&q, count, &spans);
        for (int l = 0; l < L && s + l < task->spans; l++) {
            Cubic cubic = cubic_of(&spans, l, count);
            task->cubics[s + l] = cubic;
            hopeful += cubic.worst <= task->hopeless;
        }
    }
    int all = !((double)hopeful < task->worth * (double)task->spans);
    for (int64_t s = 0; s < task->spans; s += L) {
        Samples q = samples_of(scratch, s, count);
        ways_of(task, s, &spans);
        int some = 0;
        for (int l = 0; l < L && s + l < task->spans; l++)
            some |= all || task->cubics[s + l].worst <= task->hopeless;
        for (int round = 1; some && round < task->rounds; round++)
            one_round(&q, count, &spans);
        for (int l = 0; some && task->rounds > 1 && l < L && s + l < task->spans; l++) {
            Cubic cubic = cubic_of(&spans, l, count);
            if (all || task->cubics[s + l].worst <= task->hopeless)
                task->cubics[s + l] = cubic;
        }
        if (!task->freed)
            continue;
        free_ways(&q, count, &spans);
        for (int l = 0; l < L && s + l < task->spans; l++) {
            Ways ways = {spans.start_x[l], spans.start_y[l], spans.end_x[l], spans.end_y[l]};
            task->freed[s + l] = ways;
        }
    }
}

INLINE void fit_counted(const Task *task, Lanes *scratch)
{
    if (task->count == 8)
        fit_some(task, scratch, 8);
    else if (task->count == 16)
        fit_some(task, scratch, 16);
    else
        fit_some(task, scratch, task->count);
}

/* Eight lanes are one step of most processors, and two of the others. */
#if defined(__x86_64__)
__attribute__((target("avx2"))) static void fit_fast(const Task *task, Lanes *scratch)
{
    fit_counted(task, scratch);
}
#endif

static void fit_all(const Task *task, Lanes *scratch)
{
#if defined(__x86_64__)
    if (__builtin_cpu_supports("avx2")) {
        fit_fast(task, scratch);
        return;
    }
#endif
    fit_counted(task, scratch);
}

static int sound(const Task *task, Py_ssize_t points)
{
    if (task->count < 4 || task->count > MOST_SAMPLES || task->count % 4)
        return 0;
    for (int64_t s = 0; s < task->spans; s++)
        if (task->first[s] < 0 || task->last[s] <= task->first[s] || task->last[s] >= points)
            return 0;
    return 1;
}

PyDoc_STRVAR(fit_doc,
"fit(points, tolerance, first, last, start, end, cubics, freed, count, few, rounds, share, "
"hopeless, worth)\n\nFit a cubic to each span; see `bezier.fit_spans`. Arrays are contiguous: "
"`cubics` (S, 4) float32 gets both handles, worst and at, `freed` (S, 4) both tangents, or "
"is empty.");

static PyObject *fit(PyObject *module, PyObject *args)
{
    Py_buffer b[8];
    Task task;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*y*y*y*y*w*w*iiiffd", b, b + 1, b + 2, b + 3, b + 4, b + 5,
                          b + 6, b + 7, &task.count, &task.few, &task.rounds, &task.share,
                          &task.hopeless, &task.worth))
        return NULL;
    Py_ssize_t points = b[1].len / (Py_ssize_t)sizeof(float);
    task.spans = b[2].len / (Py_ssize_t)sizeof(int64_t);
    task.points = b[0].buf, task.tolerance = b[1].buf;
    task.first = b[2].buf, task.last = b[3].buf;
    task.start = b[4].buf, task.end = b[5].buf;
    task.cubics = b[6].buf, task.freed = b[7].len ? b[7].buf : NULL;
    Py_ssize_t sizes[8] = {16 * points, 4 * points, 8 * task.spans, 8 * task.spans,
                           8 * task.spans, 8 * task.spans, 16 * task.spans, 16 * task.spans};
    int good = sound(&task, points);
    for (int k = 0; k < 8; k++)
        good &= b[k].len == sizes[k] || (k == 7 && !b[k].len);
    Lanes *scratch = NULL;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        scratch = malloc((size_t)((2 + task.spans / L) * task.count * 4) * sizeof(Lanes));
        if (scratch)
            fit_all(&task, scratch);
        free(scratch);
        PyEval_RestoreThread(state);
    }
    for (int k = 0; k < 8; k++)
        PyBuffer_Release(b + k);
    if (!good) {
        PyErr_SetString(PyExc_ValueError, "spans or arrays do not fit each other");
        return NULL;
    }
    if (!scratch)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

/* So many points on each cubic, evenly by its parameter, its own end left out; none where there
   are to be `but`. Each product by itself, in the order of `bezier.on_cubics`. */
static int64_t lay(const double *c, const int64_t *steps, int64_t cubics, int64_t but, double *to,
                   int64_t room)
{
    int64_t at = 0;
    for (int64_t s = 0; s < cubics; s++, c += 8) {
        if (steps[s] < 0 || steps[s] > room - at)
            return -1;
        for (int64_t k = 0; k < steps[s] && steps[s] != but; k++) {
            double t = (double)k / (double)steps[s], u = 1.0 - t;
            for (int axis = 0; axis < 2; axis++)
                to[2 * (at + k) + axis] =
                    u * u * (u * c[axis] + 3.0 * t * c[2 + axis]) +
                    t * t * (3.0 * u * c[4 + axis] + t * c[6 + axis]);
        }
        at += steps[s];
    }
    return at;
}

PyDoc_STRVAR(along_doc,
"along(cubics, steps, points, but)\n\nPut into `points` (N, 2) as many points on each of `cubics` "
"(S, 4, 2) as `steps` (S,) int64 tells, one cubic after another; those of cubics that get `but` "
"points stay as they are. Else float64.");

static PyObject *along(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[3];
    long long but;
    if (!PyArg_ParseTuple(args, "y*y*w*L", b, b + 1, b + 2, &but))
        return NULL;
    int64_t cubics = b[1].len / 8, room = b[2].len / 16, laid = -1;
    if (b[0].len == cubics * 64) {
        PyThreadState *state = PyEval_SaveThread();
        laid = lay(b[0].buf, b[1].buf, cubics, but, b[2].buf, room);
        PyEval_RestoreThread(state);
    }
    for (int k = 0; k < 3; k++)
        PyBuffer_Release(b + k);
    if (laid != room) {
        PyErr_SetString(PyExc_ValueError, "cubics or arrays do not fit each other");
        return NULL;
    }
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {{"fit", fit, METH_VARARGS, fit_doc},
                                {"along", along, METH_VARARGS, along_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {
    PyModuleDef_HEAD_INIT, "_cubics", "Cubics fitted to spans.", -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__cubics(void) { return PyModule_Create(&module); }
