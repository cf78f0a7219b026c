/* Cubics fitted to many spans: what `bezier.py` does in numpy, a span at a time.

   Every sum is taken in the same order and every value rounded to single precision at the same
   place, so both give the same bits (compiled without fused multiply and add). The package works
   without this module, only slower. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>

#define MOST_SAMPLES 1024

/* Made anew for the numbers of samples most spans have: with their loops unrolled. */
#if defined(__GNUC__)
#define INLINE static inline __attribute__((always_inline))
#else
#define INLINE static inline
#endif

typedef struct {
    float x, y;
} Way;

/* The samples of one span (x, y and tolerance), their parameters and squared distances. */
typedef struct {
    float *x, *y, *tolerance, *u;
} Samples;

typedef struct {
    float b11, b12, b22;
    Way r1, r2;
} Sums;

typedef struct {
    float inner[2], worst, at;
} Cubic;

INLINE float least(float a, float b) { return a > b ? b : a; }
INLINE float most(float a, float b) { return a < b ? b : a; }
INLINE float dot(Way one, Way other) { return one.x * other.x + one.y * other.y; }

/* Products summed up as rows of four: of sixteen the last four first, then these four. */
INLINE float summed(const float *one, const float *other, int count)
{
    float sums[4] = {0, 0, 0, 0};
    int many = count / 16 * 16;
    for (int four = 0; four < count; four += 4) {
        int at = four < many ? four / 16 * 16 + 12 - four % 16 : four;
        for (int k = 0; k < 4; k++)
            sums[k] += one[at + k] * other[at + k];
    }
    return (sums[0] + sums[1]) + (sums[2] + sums[3]);
}

INLINE void sample(const double *points, const float *tolerance, int64_t first, int64_t last,
                   int count, int few, float share, const Samples *to)
{
    double x = points[2 * first], y = points[2 * first + 1];
    float steps = (float)(last - first), whole = (float)(count - 1);
    for (int k = 0; k < count; k++) {
        float exact = (float)k / whole * steps;
        int64_t at = first + (int64_t)lrintf(exact);
        to->tolerance[k] = tolerance[at] * share;
        if (count > few) {
            to->x[k] = (float)(points[2 * at] - x);
            to->y[k] = (float)(points[2 * at + 1] - y);
            continue;
        }
        /* with as many samples as points, some must lie between: a cubic may bulge there */
        int64_t low = (int64_t)exact;
        if (low > last - first - 1)
            low = last - first - 1;
        float between = exact - (float)low;
        const double *near = points + 2 * (first + low);
        to->x[k] = (float)((near[0] - x) + (double)between * (near[2] - near[0]));
        to->y[k] = (float)((near[1] - y) + (double)between * (near[3] - near[1]));
    }
}

/* Parameters by the length of chords. */
INLINE void spread(const Samples *q, int count)
{
    float so_far = 0;
    float step[MOST_SAMPLES];
    for (int k = 0; k + 1 < count; k++) {
        float x = q->x[k + 1] - q->x[k], y = q->y[k + 1] - q->y[k];
        step[k] = sqrtf(x * x + y * y);
    }
    q->u[0] = 0;
    for (int k = 0; k + 1 < count; k++)
        q->u[k + 1] = so_far += step[k];
    float whole = most(so_far, 1e-6f);
    for (int k = 0; k < count; k++)
        q->u[k] /= whole;
}

INLINE Sums normal_sums(const Samples *q, int count)
{
    float b1[MOST_SAMPLES], b2[MOST_SAMPLES], ends[MOST_SAMPLES];
    for (int k = 0; k < count; k++) {
        float u = q->u[k], square = u * u, left = 1.0f - u;
        b2[k] = left * square * 3.0f;
        b1[k] = u * left * 3.0f - b2[k];
        ends[k] = (3.0f - 2.0f * u) * square;
    }
    float e1 = summed(b1, ends, count), e2 = summed(b2, ends, count);
    float x = q->x[count - 1], y = q->y[count - 1];
    Sums sums = {summed(b1, b1, count), summed(b1, b2, count), summed(b2, b2, count),
                 {summed(b1, q->x, count) - e1 * x, summed(b1, q->y, count) - e1 * y},
                 {summed(b2, q->x, count) - e2 * x, summed(b2, q->y, count) - e2 * y}};
    return sums;
}

/* Handles by least squares, shortened until the cubic advances along its chord. */
INLINE void handles(const Samples *q, int count, Way start, Way end, float *inner)
{
    Way chord = {q->x[count - 1], q->y[count - 1]};
    float length = most(sqrtf(dot(chord, chord)), 1e-6f);
    Sums s = normal_sums(q, count);
    float c12 = s.b12 * -dot(start, end), x1 = dot(start, s.r1), x2 = -dot(end, s.r2);
    float det = s.b11 * s.b22 - c12 * c12;
    if (det <= 1e-4f * s.b11 * s.b22) {
        inner[0] = inner[1] = length / 3.0f;
    } else {
        inner[0] = (s.b22 * x1 - c12 * x2) / det;
        inner[1] = (s.b11 * x2 - c12 * x1) / det;
    }
    float leans[2] = {dot(start, chord) / length, dot(end, chord) / length};
    for (int k = 0; k < 2; k++)
        inner[k] = most(inner[k], 0.02f * length);
    float advance = inner[0] * most(leans[0], 0.0f) + inner[1] * most(leans[1], 0.0f);
    float shrink = least(1.0f, 0.98f * length / most(advance, 1e-9f));
    for (int k = 0; k < 2; k++)
        inner[k] = least(inner[k], 2.0f * length) * shrink;
}

/* Parameters moved to the foot of their samples; squared distances there. */
INLINE void nearer(const Samples *q, int count, Way start, Way end, const float *inner, float *off)
{
    float across[MOST_SAMPLES], along[MOST_SAMPLES], moved[MOST_SAMPLES];
    float x3 = q->x[count - 1], y3 = q->y[count - 1];
    float x1 = 3.0f * inner[0] * start.x, y1 = 3.0f * inner[0] * start.y;
    float x2 = 3.0f * (x3 - inner[1] * end.x) - 2.0f * x1;
    float y2 = 3.0f * (y3 - inner[1] * end.y) - 2.0f * y1;
    x3 = x3 - x1 - x2;
    y3 = y3 - y1 - y2;
    for (int k = 0; k < count; k++) {
        float u = q->u[k];
        float way_x = x3 * u, way_y = y3 * u;
        float x = way_x + x2, y = way_y + y2;
        way_x = (way_x + x) * u;
        way_y = (way_y + y) * u;
        x = x * u + x1;
        y = y * u + y1;
        way_x += x;
        way_y += y;
        x = x * u - q->x[k];
        y = y * u - q->y[k];
        across[k] = most(way_x * way_x + way_y * way_y, 1e-9f);
        along[k] = way_x * x + way_y * y;
        off[k] = x * x + y * y;
        moved[k] = least(most(u - along[k] / across[k], 0.0f), 1.0f);
    }
    moved[0] = 0.0f;
    moved[count - 1] = 1.0f;
    /* the square of what the step leaves */
    for (int k = 0; k < count; k++) {
        float step = q->u[k] - moved[k];
        off[k] = most((across[k] * step - along[k] * 2.0f) * step + off[k], 0.0f);
        q->u[k] = moved[k];
    }
}

INLINE void one_round(const Samples *q, int count, Way start, Way end, Cubic *cubic)
{
    float off[MOST_SAMPLES];
    off[0] = 0;
    handles(q, count, start, end, cubic->inner);
    nearer(q, count, start, end, cubic->inner, off);
    for (int k = 0; k < count; k++)
        off[k] /= q->tolerance[k] * q->tolerance[k];
    int at = 0;
    for (int k = 1; k < count; k++)
        if (off[k] > off[at])
            at = k;
    cubic->worst = sqrtf(off[at]);
    cubic->at = (float)((double)at / (double)(float)(count - 1));
}

static int backward(const Samples *q, int count, Way start, Way end)
{
    Way chord = {q->x[count - 1], q->y[count - 1]};
    return dot(start, chord) < 0.0f || dot(end, chord) < 0.0f;
}

/* The directions that both ends would take with no tangent asked of them. */
INLINE void free_ways(const Samples *q, int count, Way *start, Way *end)
{
    Sums s = normal_sums(q, count);
    float det = most(s.b11 * s.b22 - s.b12 * s.b12, 1e-9f);
    start->x = (s.b22 * s.r1.x - s.b12 * s.r2.x) / det;
    start->y = (s.b22 * s.r1.y - s.b12 * s.r2.y) / det;
    end->x = -((s.b11 * s.r2.x - s.b12 * s.r1.x) / det);
    end->y = -((s.b11 * s.r2.y - s.b12 * s.r1.y) / det);
}

typedef struct {
    const double *points;
    const float *tolerance;
    const int64_t *first, *last;
    const Way *start, *end;
    Cubic *cubics;
    Way *freed;
    int64_t spans;
    int count, few, rounds;
    float share, hopeless;
    double worth;
} Task;

static Samples samples_of(float *scratch, int64_t span, int count)
{
    float *own = scratch + 4 * count * span;
    Samples q = {own, own + count, own + 2 * count, own + 3 * count};
    return q;
}

INLINE void fit_some(const Task *task, float *scratch, int count)
{
    int64_t hopeful = 0;
    for (int64_t s = 0; s < task->spans; s++) {
        Samples q = samples_of(scratch, s, count);
        sample(task->points, task->tolerance, task->first[s], task->last[s], count, task->few,
               task->share, &q);
        spread(&q, count);
        one_round(&q, count, task->start[s], task->end[s], task->cubics + s);
        if (backward(&q, count, task->start[s], task->end[s]))
            task->cubics[s].worst = INFINITY;
        hopeful += task->cubics[s].worst <= task->hopeless;
    }
    int leave = (double)hopeful < task->worth * (double)task->spans;
    for (int64_t s = 0; s < task->spans; s++) {
        Samples q = samples_of(scratch, s, count);
        Cubic *cubic = task->cubics + s;
        if (task->rounds > 1 && !(leave && !(cubic->worst <= task->hopeless))) {
            for (int round = 1; round < task->rounds; round++)
                one_round(&q, count, task->start[s], task->end[s], cubic);
            if (backward(&q, count, task->start[s], task->end[s]))
                cubic->worst = INFINITY;
        }
        if (task->freed)
            free_ways(&q, count, task->freed + 2 * s, task->freed + 2 * s + 1);
    }
}

static void fit_all(const Task *task, float *scratch)
{
    if (task->count == 8)
        fit_some(task, scratch, 8);
    else if (task->count == 16)
        fit_some(task, scratch, 16);
    else
        fit_some(task, scratch, task->count);
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
    float *scratch = NULL;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        scratch = malloc((size_t)(task.spans * task.count * 4 + 1) * sizeof(float));
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

static PyMethodDef methods[] = {{"fit", fit, METH_VARARGS, fit_doc}, {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {
    PyModuleDef_HEAD_INIT, "_cubics", "Cubics fitted to spans.", -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__cubics(void) { return PyModule_Create(&module); }
