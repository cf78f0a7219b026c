/* Labels of patches of paper: what `full.py` does in numpy, a run of pixels of one patch at a time.
   All are whole numbers, the same as numpy's. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

typedef struct {
    const int32_t *patch;
    const uint16_t *wide, *table;
    const int64_t *row;
    uint16_t *seeds, *rest;
    int64_t *wrong, *size;
    int64_t high, across, count, rows;
} Task;

static void fill(uint16_t *to, int64_t count, uint16_t value)
{
    for (int64_t k = 0; k < count; k++)
        to[k] = value;
}

/* How many known pixels have another label. */
static int64_t others(const uint16_t *found, int64_t count, uint16_t value)
{
    int64_t other = 0;
    for (int64_t begin = 0; begin < count; begin += 16384) {
        int64_t end = begin + 16384 < count ? begin + 16384 : count;
        uint32_t some = 0;
        for (int64_t k = begin; k < end; k++)
            some += (found[k] != value) & (found[k] != 0);
        other += some;
    }
    return other;
}

/* One look over all runs. First: patches take their label, those without one remember the last
   that is met. Then: these take that. Last: mixed ones give each pixel its own. */
static int look(const Task *t, int turn, double mixed)
{
    int more = 0;
    for (int64_t y = 0; y < t->high; y++) {
        const int32_t *own = t->patch + y * t->across;
        const uint16_t *found = t->wide + t->row[y] * t->across;
        uint16_t *to = t->seeds + y * t->across;
        for (int64_t x = 0, end; x < t->across; x = end) {
            int32_t p = own[x];
            for (end = x + 1; end < t->across && own[end] == p; end++)
                ;
            if (turn == 2) {
                if ((double)t->wrong[p] > mixed * (double)t->size[p])
                    memcpy(to + x, found + x, (size_t)(end - x) * sizeof(uint16_t));
                continue;
            }
            uint16_t label = turn ? t->rest[p] : t->table[p];
            if (turn && (p == 0 || t->table[p]))
                continue;
            if (!turn)
                t->size[p] += end - x;
            fill(to + x, end - x, label);
            if (p && label)
                t->wrong[p] += others(found + x, end - x, label);
            for (int64_t k = x; p && !label && k < end; k++)
                if (found[k])
                    t->rest[p] = found[k], more = 1;
        }
    }
    return more;
}

static int sound(const Task *t, const Py_buffer *b)
{
    if (t->across <= 0 || t->high * t->across * 4 != b[0].len || t->rows * t->across * 2 != b[1].len)
        return 0;
    if (b[4].len != t->high * t->across * 2)
        return 0;
    for (int64_t y = 0; y < t->high; y++)
        if (t->row[y] < 0 || t->row[y] >= t->rows)
            return 0;
    for (int64_t k = 0; k < t->high * t->across; k++)
        if (t->patch[k] < 0 || t->patch[k] >= t->count)
            return 0;
    return 1;
}

PyDoc_STRVAR(seed_doc,
"seed(patch, wide, row, table, seeds, mixed)\n\nPut the label of each pixel into `seeds` (H, W) "
"uint16: see `full.seeds_by_numpy`. `patch` (H, W) int32, `wide` (h, W) uint16, `row` (H,) int64, "
"`table` (N,) uint16; `mixed` is the share of other labels beyond which a patch is mixed.");

static PyObject *seed(PyObject *module, PyObject *args)
{
    Py_buffer b[5];
    Task t = {0};
    double mixed;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*y*y*w*d", b, b + 1, b + 2, b + 3, b + 4, &mixed))
        return NULL;
    t.patch = b[0].buf, t.wide = b[1].buf, t.row = b[2].buf, t.table = b[3].buf;
    t.seeds = b[4].buf;
    t.high = b[2].len / 8, t.count = b[3].len / 2;
    t.across = t.high ? b[0].len / 4 / t.high : 0;
    t.rows = t.across ? b[1].len / 2 / t.across : 0;
    int good = 0, done = 0;
    Py_BEGIN_ALLOW_THREADS
    good = sound(&t, b);
    t.rest = calloc((size_t)t.count + 1, sizeof(uint16_t));
    t.wrong = calloc((size_t)(t.count + 1) * 2, sizeof(int64_t));
    if (good && t.rest && t.wrong) {
        t.size = t.wrong + t.count + 1;
        if (look(&t, 0, mixed))
            look(&t, 1, mixed);
        int64_t p = 0;
        while (p < t.count && (double)t.wrong[p] <= mixed * (double)t.size[p])
            p++;
        if (p < t.count)
            look(&t, 2, mixed);
        done = 1;
    }
    free(t.rest), free(t.wrong);
    Py_END_ALLOW_THREADS
    for (int k = 0; k < 5; k++)
        PyBuffer_Release(b + k);
    if (!good) {
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
        return NULL;
    }
    if (!done)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {{"seed", seed, METH_VARARGS, seed_doc}, {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {
    PyModuleDef_HEAD_INIT, "_seeds", "Labels of patches.", -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__seeds(void) { return PyModule_Create(&module); }
