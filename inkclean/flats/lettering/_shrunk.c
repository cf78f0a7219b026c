/* Small pictures of masks: what OpenCV's `resize` makes of them by area, added up in the same order,
   but that paper, which adds nothing, is passed over. The package works without this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define INK 255
#define LEAST 1e-3 /* of a pixel: less of one is left out */
#define WHOLE 8388608.0f /* 2^23: has no room for parts, so that adding it rounds, ties to even */

/* What a pixel adds to, along one side: up to two cells, and the share of each that it fills. */
typedef struct {
    int32_t count, cell[2];
    float share[2];
} Shares;

static void give(Shares *shares, int64_t cell, double share)
{
    if (shares->count < 2) {
        shares->cell[shares->count] = (int32_t)cell;
        shares->share[shares->count++] = (float)share;
    }
}

/* Shares out `length` pixels to fewer `cells`. */
static void share_out(int64_t length, int64_t cells, Shares *shares)
{
    double scale = 1.0 / ((double)cells / (double)length);
    for (int64_t cell = 0; cell < cells; cell++) {
        double begin = (double)cell * scale, end = begin + scale;
        double left = (double)length - begin, wide = scale < left ? scale : left;
        int64_t first = (int64_t)begin, last = (int64_t)end;
        first += (double)first < begin; /* up, and down */
        last = last < length - 1 ? last : length - 1;
        first = first < last ? first : last;
        if ((double)first - begin > LEAST)
            give(shares + first - 1, cell, ((double)first - begin) / wide);
        for (int64_t at = first; at < last; at++)
            give(shares + at, cell, 1.0 / wide);
        double rest = end - (double)last;
        if (rest > LEAST) {
            rest = rest < 1.0 ? rest : 1.0;
            give(shares + last, cell, (rest < wide ? rest : wide) / wide);
        }
    }
}

/* Sums of a row's ink in each cell, `row` all 0 before; whether there is any. */
static int add_up(const uint8_t *mask, int64_t wide, const Shares *shares, float *row)
{
    const uint8_t *at = mask, *end = mask + wide;
    int any = 0;
    while (at < end && (at = memchr(at, INK, (size_t)(end - at))))
        for (any = 1; at < end && *at; at++) {
            const Shares *own = shares + (at - mask);
            for (int32_t k = 0; k < own->count; k++)
                row[own->cell[k]] += (float)INK * own->share[k];
        }
    return any;
}

static void shrink(const uint8_t *mask, int64_t high, int64_t wide, const Shares *down,
                   const Shares *across, int64_t cells, float *row, float *sums)
{
    for (int64_t y = 0; y < high; y++) {
        memset(row, 0, (size_t)cells * sizeof(float));
        if (!down[y].count || !add_up(mask + y * wide, wide, across, row))
            continue;
        for (int32_t k = 0; k < down[y].count; k++) {
            float *own = sums + down[y].cell[k] * cells;
            for (int64_t x = 0; x < cells; x++)
                own[x] += down[y].share[k] * row[x];
        }
    }
}

PyDoc_STRVAR(shrunk_doc,
"shrunk(mask, wide, small, less)\n\nPut the mean of `mask` (H, `wide`) uint8, 0 and 255, over each "
"of the fewer cells of `small` (h, `less`) uint8 there.");

static PyObject *shrunk(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[2];
    long long wide, less;
    if (!PyArg_ParseTuple(args, "y*Lw*L", b, &wide, b + 1, &less))
        return NULL;
    int good = less > 0 && wide >= less && b[0].len % wide == 0 && b[1].len % less == 0 &&
               b[1].len > 0 && b[0].len / wide >= b[1].len / less && b[0].len < INT32_MAX;
    int done = 0;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        int64_t high = b[0].len / wide, few = b[1].len / less;
        Shares *shares = calloc((size_t)(high + wide), sizeof(Shares));
        float *sums = calloc((size_t)((few + 1) * less), sizeof(float));
        done = shares && sums;
        if (done) {
            share_out(high, few, shares);
            share_out(wide, less, shares + high);
            shrink(b[0].buf, high, wide, shares, shares + high, less, sums + few * less, sums);
            for (int64_t k = 0; k < few * less; k++) {
                float near = (sums[k] + WHOLE) - WHOLE;
                ((uint8_t *)b[1].buf)[k] = (uint8_t)(near < INK ? near : INK);
            }
        }
        free(shares), free(sums);
        PyEval_RestoreThread(state);
    }
    PyBuffer_Release(b), PyBuffer_Release(b + 1);
    if (!good)
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
    else if (!done)
        PyErr_NoMemory();
    if (!good || !done)
        return NULL;
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {{"shrunk", shrunk, METH_VARARGS, shrunk_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_shrunk", "Small pictures of masks.",
                                    -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__shrunk(void) { return PyModule_Create(&module); }
