/* What is left of a mask by an opening: what `parts.py` does by OpenCV, the same. Masks are bytes of 0 and 1, row by row.
   The package works without this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#if !defined(__BYTE_ORDER__) || __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "bits are packed in the order of bytes; without this module OpenCV is used"
#endif

/* Rows of bits, `words` each of which the first and the last are a rim. */
typedef struct {
    uint64_t *bits;
    int64_t rows, words, wide;
} Bits;

static void pack(const char *mask, const Bits *to)
{
    for (int64_t row = 0; row < to->rows; row++, mask += to->wide) {
        uint64_t *own = to->bits + row * to->words;
        memset(own, 255, (size_t)to->words * sizeof(uint64_t)); /* what is beyond counts as ink */
        int64_t at = 0;
        for (; at + 8 <= to->wide; at += 8) {
            uint64_t eight;
            memcpy(&eight, mask + at, 8);
            ((uint8_t *)(own + 1))[at / 8] = (uint8_t)(eight * UINT64_C(0x0102040810204080) >> 56);
        }
        for (; at < to->wide; at++)
            if (!mask[at])
                own[1 + at / 64] &= ~(UINT64_C(1) << at % 64);
    }
}

/* Turns what is ink into paper and the other way round, but not what is beyond. */
static void turn_over(const Bits *all)
{
    for (int64_t row = 0; row < all->rows; row++) {
        uint64_t *own = all->bits + row * all->words;
        int64_t whole = all->wide / 64, rest = all->wide % 64;
        for (int64_t k = 1; k <= whole; k++)
            own[k] = ~own[k];
        if (rest)
            own[1 + whole] ^= (UINT64_C(1) << rest) - 1;
    }
}

/* Leaves ink whose surroundings are ink: in the rows about it, so many pixels to both sides as
   `widths` (2 r + 1) tells. `rows` are as many bits, for each width up to the most; beyond the mask
   all counts as ink. Returns whether anything within is left. */
static int erode(const Bits *all, const int64_t *widths, int64_t reach, int64_t most,
                 uint64_t *rows)
{
    int64_t plane = all->rows * all->words, words = all->words;
    memcpy(rows, all->bits, (size_t)plane * sizeof(uint64_t));
    for (int64_t k = 1; k <= most; k++) {
        const uint64_t *from = rows + (k - 1) * plane;
        uint64_t *to = rows + k * plane;
        for (int64_t row = 0; row < all->rows; row++, from += words, to += words) {
            to[0] = to[words - 1] = ~UINT64_C(0);
            for (int64_t n = 1; n < words - 1; n++)
                to[n] = from[n] & (from[n] << 1 | from[n - 1] >> 63) &
                        (from[n] >> 1 | from[n + 1] << 63);
        }
        /* bits beyond the last pixel stay ink */
        int64_t rest = all->wide % 64;
        if (rest)
            for (int64_t row = 0; row < all->rows; row++)
                rows[k * plane + (row + 1) * words - 2] |= ~((UINT64_C(1) << rest) - 1);
    }
    uint64_t left = 0, rest = all->wide % 64 ? (UINT64_C(1) << all->wide % 64) - 1 : ~UINT64_C(0);
    for (int64_t row = 0; row < all->rows; row++) {
        uint64_t *to = all->bits + row * words;
        for (int64_t n = 1; n < words - 1; n++)
            to[n] = ~UINT64_C(0);
        for (int64_t down = -reach; down <= reach; down++) {
            if (row + down < 0 || row + down >= all->rows)
                continue;
            const uint64_t *from = rows + widths[down + reach] * plane + (row + down) * words;
            for (int64_t n = 1; n < words - 1; n++)
                to[n] &= from[n];
        }
        for (int64_t n = 1; n < words - 2; n++)
            left |= to[n];
        left |= to[words - 2] & rest;
    }
    return left != 0;
}

PyDoc_STRVAR(opened_doc,
"opened(mask, wide, widths, beside, chosen)\n\nPut 1 into `chosen` (H, W), which is 0, within "
"`beside` px, along rows and columns, of where a shape fits into `mask`: of 2 r + 1 rows, so many "
"pixels to both sides of its middle as `widths` (int64) tells. Beyond the mask it fits anywhere. "
"Return 0 if it fits nowhere.");

static PyObject *opened(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[3];
    long long wide, beside;
    if (!PyArg_ParseTuple(args, "y*Ly*Lw*", b, &wide, b + 1, &beside, b + 2))
        return NULL;
    int64_t rows = b[1].len / 8, most = beside;
    const int64_t *widths = b[1].buf;
    int good = wide > 0 && b[0].len % wide == 0 && b[2].len == b[0].len && rows % 2 == 1 &&
               rows < 128 && beside >= 0 && beside < 64;
    for (int64_t k = 0; good && k < rows; k++) {
        good = widths[k] >= 0 && widths[k] < 64;
        most = widths[k] > most ? widths[k] : most;
    }
    int done = 0, left = 0;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        Bits all = {NULL, b[0].len / wide, (wide + 63) / 64 + 2, wide};
        int64_t square[127];
        for (int64_t k = 0; k < 2 * beside + 1; k++)
            square[k] = beside;
        size_t plane = (size_t)(all.rows * all.words);
        all.bits = malloc(plane * (size_t)(most + 2) * sizeof(uint64_t));
        done = all.bits != NULL;
        if (done) {
            uint64_t *work = all.bits + plane;
            pack(b[0].buf, &all);
            left = all.rows && erode(&all, widths, rows / 2, most, work);
        }
        if (left) {
            uint64_t *work = all.bits + plane;
            turn_over(&all);
            erode(&all, widths, rows / 2, most, work);
            erode(&all, square, beside, beside, work);
            char *to = b[2].buf;
            for (int64_t row = 0; row < all.rows; row++)
                for (int64_t at = 0; at < wide; at++)
                    *to++ = !(all.bits[row * all.words + 1 + at / 64] >> at % 64 & 1);
        }
        free(all.bits);
        PyEval_RestoreThread(state);
    }
    for (int k = 0; k < 3; k++)
        PyBuffer_Release(b + k);
    if (!good)
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
    else if (!done)
        PyErr_NoMemory();
    return good && done ? PyLong_FromLong(left) : NULL;
}

static PyMethodDef methods[] = {{"opened", opened, METH_VARARGS, opened_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_parts", "What is broad in masks.",
                                    -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__parts(void) { return PyModule_Create(&module); }
