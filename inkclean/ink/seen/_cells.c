/* What the ink's network is given (`ink/seen/places.py`): the darkness of a sheet's reflectance by
   a table, its pixels as channels of cells; and where what it sees lies above the odds at a stroke's
   edge (`ink/seen/bridges.py`). Each pixel as numpy does it, in one pass.
   The package works without this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

static inline int64_t step_of(float value, float steps)
{
    value *= steps;
    value = value > 0 ? value : 0; /* what is no number, too */
    return (int64_t)(value > steps ? steps : value);
}

static float fill_cells(const float *light, const float *table, float *cells, const int64_t *n,
                        float steps, float drawn_out)
{
    const int64_t row = n[1], rows = n[2], columns = n[3], fold = n[4], high = n[5], wide = n[6];
    float most = 0;
    for (int64_t y = 0; y < rows; y++) {
        const float *from = light + n[0] + y * row;
        float *to = cells + (y % fold) * fold * high * wide + (n[7] + y / fold) * wide;
        for (int64_t right = 0; right < fold; right++)
            for (int64_t x = right, at = right * high * wide; x < columns; x += fold, at++) {
                float dark = table[step_of(from[x], steps)];
                most = dark > most ? dark : most;
                to[at] = dark * drawn_out;
            }
    }
    return most;
}

static PyObject *wrong(Py_buffer *b, int count)
{
    for (int k = 0; k < count; k++)
        PyBuffer_Release(b + k);
    PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
    return NULL;
}

PyDoc_STRVAR(fill_doc,
"fill(light, table, cells, numbers, drawn_out)\n\nPut the darkness of some pixels of `light`, by "
"`table` and times `drawn_out`, into `cells` (fold * fold or more, h, w), and return the most "
"there is before. All are float32; `numbers` are 8 int64: start and floats to the next row in "
"`light`, rows, columns, fold, h, w, and the first row of cells.");

static PyObject *fill(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[4];
    float drawn_out, most;
    if (!PyArg_ParseTuple(args, "y*y*w*y*f", b, b + 1, b + 2, b + 3, &drawn_out))
        return NULL;
    const int64_t *n = b[3].buf;
    if (b[3].len != 8 * 8 || b[1].len < 4 || n[0] < 0 || n[1] < n[3] || n[2] < 1 || n[3] < 1 ||
        n[4] < 1 || n[5] < 1 || n[6] < 1 || n[7] < 0 || n[7] + (n[2] + n[4] - 1) / n[4] > n[5] ||
        (n[3] + n[4] - 1) / n[4] > n[6] || n[4] * n[4] * n[5] * n[6] > b[2].len / 4 ||
        n[0] + (n[2] - 1) * n[1] + n[3] > b[0].len / 4)
        return wrong(b, 4);
    PyThreadState *state = PyEval_SaveThread();
    most = fill_cells(b[0].buf, b[1].buf, b[2].buf, n, (float)(b[1].len / 4 - 1), drawn_out);
    PyEval_RestoreThread(state);
    for (int k = 0; k < 4; k++)
        PyBuffer_Release(b + k);
    return PyFloat_FromDouble(most);
}

PyDoc_STRVAR(codes_doc,
"codes(light, table, codes, count)\n\nPut what `table` (uint8) has for each of `light` (float32) "
"into `codes` (uint8), and add how often each comes to `count` (256 int64).");

static PyObject *codes(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[4];
    if (!PyArg_ParseTuple(args, "y*y*w*w*", b, b + 1, b + 2, b + 3))
        return NULL;
    if (b[0].len / 4 != b[2].len || b[1].len < 1 || b[3].len != 256 * 8)
        return wrong(b, 4);
    PyThreadState *state = PyEval_SaveThread();
    const float *light = b[0].buf;
    const uint8_t *table = b[1].buf;
    uint8_t *code = b[2].buf;
    int64_t *count = b[3].buf;
    float steps = (float)(b[1].len - 1);
    for (int64_t k = 0; k < b[2].len; k++)
        count[code[k] = table[step_of(light[k], steps)]]++;
    PyEval_RestoreThread(state);
    for (int k = 0; k < 4; k++)
        PyBuffer_Release(b + k);
    Py_RETURN_NONE;
}

/* The greatest of `near` before and after each of `size` values and itself, as far as there are. */
static void widest(const float *from, float *to, int64_t size, int64_t near)
{
    memcpy(to, from, (size_t)size * sizeof(float));
    for (int64_t by = 1; by <= near && by < size; by++) {
        for (int64_t x = 0; x < size - by; x++)
            to[x] = from[x + by] > to[x] ? from[x + by] : to[x];
        for (int64_t x = by; x < size; x++)
            to[x] = from[x - by] > to[x] ? from[x - by] : to[x];
    }
}

static void highest(const float *from, float *to, int64_t size)
{
    for (int64_t x = 0; x < size; x++)
        to[x] = from[x] > to[x] ? from[x] : to[x];
}

static void lie_above(const float *odds, const float *wary, float *told, float *wide, float *most,
                      const int64_t *n, float edge, float sure)
{
    const int64_t row = n[0], top = n[1], left = n[2], high = n[3], size = n[4], cells = n[5];
    const int64_t fold = n[6], near = n[7];
    for (int64_t y = 0; y < high; y++) {
        const float *from = odds + (top + y) * row + left, *less = wary + (top + y) / fold * cells;
        float *to = told + y * size;
        int64_t x = 0, cell = left / fold, end = (cell + 1) * fold - left;
        for (; x < size; cell++, end += fold)
            for (float by = less[cell]; x < end && x < size; x++)
                to[x] = from[x] - by;
        widest(to, wide + y * size, size, near);
    }
    for (int64_t y = 0; y < high; y++) {
        float *to = told + y * size;
        memcpy(most, wide + y * size, (size_t)size * sizeof(float));
        for (int64_t by = 1; by <= near; by++) {
            if (y + by < high)
                highest(wide + (y + by) * size, most, size);
            if (y >= by)
                highest(wide + (y - by) * size, most, size);
        }
        for (int64_t x = 0; x < size; x++) {
            float more = most[x] - sure;
            to[x] -= edge * (more > 0 ? more : 0);
        }
    }
}

PyDoc_STRVAR(above_doc,
"above(odds, wary, told, numbers, edge, sure)\n\nPut into `told` (h, w) how far a part of `odds` "
"less `wary` (one for fold * fold of it) lies above `edge` times what the most near by has more "
"than `sure`. All are float32; `numbers` are 8 int64: floats in a row of `odds`, the part's first "
"row and column, h, w, floats in a row of `wary`, fold, and how far is near.");

static PyObject *above(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[4];
    float edge, sure;
    if (!PyArg_ParseTuple(args, "y*y*w*y*ff", b, b + 1, b + 2, b + 3, &edge, &sure))
        return NULL;
    const int64_t *n = b[3].buf;
    if (b[3].len != 8 * 8 || n[1] < 0 || n[2] < 0 || n[3] < 1 || n[4] < 1 || n[2] + n[4] > n[0] ||
        n[6] < 1 || n[7] < 0 || (n[1] + n[3]) * n[0] > b[0].len / 4 ||
        (n[2] + n[4] - 1) / n[6] >= n[5] ||
        ((n[1] + n[3] - 1) / n[6] + 1) * n[5] > b[1].len / 4 || n[3] * n[4] != b[2].len / 4)
        return wrong(b, 4);
    float *wide = malloc((size_t)(n[3] + 1) * (size_t)n[4] * sizeof(float));
    if (wide) {
        PyThreadState *state = PyEval_SaveThread();
        lie_above(b[0].buf, b[1].buf, b[2].buf, wide, wide + n[3] * n[4], n, edge, sure);
        PyEval_RestoreThread(state);
    }
    free(wide);
    for (int k = 0; k < 4; k++)
        PyBuffer_Release(b + k);
    if (!wide)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {{"above", above, METH_VARARGS, above_doc},
                                {"fill", fill, METH_VARARGS, fill_doc},
                                {"codes", codes, METH_VARARGS, codes_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_cells", "Cells of a sheet.",
                                    -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__cells(void) { return PyModule_Create(&module); }
