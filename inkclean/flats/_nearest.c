/* The nearest label of pixels that have none: what `nearest.py` does by OpenCV, the same.
   Steps to the side, askew and by a knight's move count 1, 1.4 and 2.1969 px (Borgefors, "Distance
   transformations in digital images", 1986): one pass from the top, one from the bottom.
   The package works without this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum { STRAIGHT = 65536, ASKEW = 91750, KNIGHT = 143976, FAR = INT32_MAX >> 2, RIM = 2 };

typedef struct {
    char *label;         /* (high, wide), each `item` bytes */
    int32_t *away;      /* (high + 2 RIM, across), FAR in the rim */
    int32_t *best;      /* of a row */
    int32_t *which;      /* and the step that it came by */
    char *bare;          /* pixels of a row without a label */
    int64_t high, wide, across;
    int item;
} Task;

/* The steps to rows above, in the order in which the first of the shortest counts; the last one is
   none. */
static const struct {
    int down, right;
} steps[8] = {{-2, -1}, {-2, 1}, {-1, -2}, {-1, -1}, {-1, 0}, {-1, 1}, {-1, 2}, {0, 0}};

static void mark_bare(const Task *t, int64_t row, int first)
{
    const int32_t *away = t->away + (row + RIM) * t->across + RIM;
    int64_t wide = t->wide;
    char *bare = t->bare;
    if (!first)
        for (int64_t x = 0; x < wide; x++)
            bare[x] = away[x] != 0;
    else if (t->item == 1)
        for (int64_t x = 0; x < wide; x++)
            bare[x] = ((const uint8_t *)t->label)[row * wide + x] == 0;
    else if (t->item == 2)
        for (int64_t x = 0; x < wide; x++)
            bare[x] = ((const uint16_t *)t->label)[row * wide + x] == 0;
    else
        for (int64_t x = 0; x < wide; x++)
            bare[x] = ((const uint32_t *)t->label)[row * wide + x] == 0;
}

/* The shortest way, in `best`, by a step to one of the rows above `own`, and which step that is; 7
   where none is shorter than `best` was. `down` is how far on the row above is. */
static inline void shortest(const int32_t *restrict own, int64_t down, int way,
                            int32_t *restrict best, int32_t *restrict which, int64_t many)
{
    const int32_t *one = own + down, *two = one + down;
    for (int64_t x = 0; x < many; x++) {
        int32_t least = best[x], step = 7;
#define TRY(from, cost, number) \
    { \
        int32_t long_ = (from) + (cost); \
        step = least > long_ ? (number) : step; \
        least = least > long_ ? long_ : least; \
    }
        TRY(two[x - way], KNIGHT, 0)
        TRY(two[x + way], KNIGHT, 1)
        TRY(one[x - 2 * way], KNIGHT, 2)
        TRY(one[x - way], ASKEW, 3)
        TRY(one[x], STRAIGHT, 4)
        TRY(one[x + way], ASKEW, 5)
        TRY(one[x + 2 * way], KNIGHT, 6)
#undef TRY
        best[x] = least, which[x] = step;
    }
}

static void take(const Task *t, int64_t to, int64_t from)
{
    if (t->item == 1)
        ((uint8_t *)t->label)[to] = ((const uint8_t *)t->label)[from];
    else if (t->item == 2)
        ((uint16_t *)t->label)[to] = ((const uint16_t *)t->label)[from];
    else
        ((uint32_t *)t->label)[to] = ((const uint32_t *)t->label)[from];
}

/* Gives the bare pixels of a row, from `begin` up to `end`, the label of what is nearest among
   those behind them. `way` is 1 on the pass from the top, −1 on the one from the bottom. */
static void pass(const Task *t, int64_t row, int64_t begin, int64_t end, int way)
{
    int64_t many = end - begin, across = t->across;
    int32_t *own = t->away + (row + RIM) * across + RIM + begin;
    for (int64_t x = 0; x < many; x++)
        t->best[x] = way > 0 ? FAR : own[x];
    if (way > 0)
        shortest(own, -across, 1, t->best, t->which, many);
    else
        shortest(own, across, -1, t->best, t->which, many);
    int64_t place[8];
    for (int k = 0; k < 8; k++)
        place[k] = way * (steps[k].down * t->wide + steps[k].right);
    int64_t at = way > 0 ? 0 : many - 1, label = row * t->wide + begin;
    for (int64_t n = 0; n < many; n++, at += way) {
        int32_t beside = own[at - way] + STRAIGHT;
        if (t->best[at] > beside) {
            own[at] = beside;
            take(t, label + at, label + at - way);
        } else {
            own[at] = t->best[at];
            if (t->which[at] != 7)
                take(t, label + at, label + at + place[t->which[at]]);
        }
    }
}

static void passes(const Task *t, int64_t row, int way)
{
    const char *bare = t->bare, *end = bare + t->wide, *at = bare;
    mark_bare(t, row, way > 0);
    while (at < end && (at = memchr(at, 1, (size_t)(end - at)))) {
        const char *stop = memchr(at, 0, (size_t)(end - at));
        stop = stop ? stop : end;
        pass(t, row, at - bare, stop - bare, way);
        at = stop;
    }
}

static int32_t furthest(const Task *t, const long long *inner)
{
    int32_t most = 0;
    for (int64_t row = inner[0]; row < inner[1]; row++) {
        const int32_t *away = t->away + (row + RIM) * t->across + RIM;
        for (int64_t x = inner[2]; x < inner[3]; x++)
            most = away[x] > most ? away[x] : most;
    }
    return most;
}

static int grow_all(Task *t)
{
    size_t size = (size_t)((t->high + 2 * RIM) * t->across);
    t->away = calloc(size, sizeof(int32_t));
    t->best = malloc((size_t)t->wide * 9);
    if (!t->away || !t->best)
        return 0;
    t->which = t->best + t->wide;
    t->bare = (char *)(t->which + t->wide);
    for (int64_t row = 0; row < t->high + 2 * RIM; row++) {
        int32_t *away = t->away + row * t->across, *end = away + t->across;
        if (row < RIM || row >= t->high + RIM)
            while (away < end)
                *away++ = FAR;
        else
            away[0] = away[1] = end[-1] = end[-2] = FAR;
    }
    for (int64_t row = 0; row < t->high; row++)
        passes(t, row, 1);
    for (int64_t row = t->high - 1; row >= 0; row--)
        passes(t, row, -1);
    return 1;
}

PyDoc_STRVAR(grow_doc,
"grow(label, wide, item, top, bottom, left, right)\n\nGive each 0 in `label` (H, W), of `item` bytes "
"each, the label of the nearest pixel that has one. Return how many px those of some rows and "
"columns are from it at most.");

static PyObject *grow(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b;
    long long wide, inner[4];
    int item;
    if (!PyArg_ParseTuple(args, "w*LiLLLL", &b, &wide, &item, inner, inner + 1, inner + 2,
                          inner + 3))
        return NULL;
    int good = wide > 0 && (item == 1 || item == 2 || item == 4) && b.len % (wide * item) == 0;
    Task t = {b.buf, NULL, NULL, NULL, NULL, good ? b.len / item / wide : 0, wide,
              wide + 2 * RIM, item};
    good = good && inner[0] >= 0 && inner[1] <= t.high && inner[2] >= 0 && inner[3] <= wide;
    int done = 0;
    int32_t most = 0;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        done = grow_all(&t);
        if (done)
            most = furthest(&t, inner);
        free(t.away), free(t.best);
        PyEval_RestoreThread(state);
    }
    PyBuffer_Release(&b);
    if (!good)
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
    else if (!done)
        PyErr_NoMemory();
    return good && done ? PyFloat_FromDouble((double)((float)most / STRAIGHT)) : NULL;
}

static PyMethodDef methods[] = {{"grow", grow, METH_VARARGS, grow_doc}, {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {
    PyModuleDef_HEAD_INIT, "_nearest", "The nearest label.", -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__nearest(void) { return PyModule_Create(&module); }
