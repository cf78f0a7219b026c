/* What the ink's network is given (`ink/seen/places.py`): the darkness of a sheet's reflectance by
   a table, its pixels as channels of cells. Each pixel as numpy does it, in one pass.
   The package works without this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>

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

static PyMethodDef methods[] = {{"fill", fill, METH_VARARGS, fill_doc},
                                {"codes", codes, METH_VARARGS, codes_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_cells", "Cells of a sheet.",
                                    -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__cells(void) { return PyModule_Create(&module); }
