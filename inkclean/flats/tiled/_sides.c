/* Where labels of a map meet, and in which order they are met: what `sides.py` does in numpy.
   All are whole numbers, the same as numpy's. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>

/* Most pixels are like those beside them: so many at once are passed over. */
enum { STEP = 32 };

/* Whether any of `many` pixels differs from the one `to` further on. */
static int differ(const int32_t *of, int64_t many, int64_t to)
{
    int32_t some = 0;
    for (int64_t k = 0; k < many; k++)
        some |= of[k] ^ of[k + to];
    return some != 0;
}

typedef struct {
    const int32_t *label;
    int64_t high, wide;
    int64_t *one, *other, *a, *b; /* NULL: they are counted only */
    int32_t *count;
    int64_t labels, many;
} Task;

static int met(Task *t, int64_t at, int64_t to)
{
    int32_t first = t->label[at], second = t->label[at + to];
    int32_t low = first < second ? first : second, high = first < second ? second : first;
    if (t->count) {
        if (low < 0 || high >= t->labels)
            return 0;
        t->count[low * t->labels + high]++;
    }
    if (t->one) {
        t->one[t->many] = at, t->other[t->many] = at + to;
        t->a[t->many] = low, t->b[t->many] = high;
    }
    t->many++;
    return 1;
}

/* All pixels that differ from the one `to` further on; of a row, all but the last `less`. */
static int along(Task *t, int64_t rows, int64_t to, int64_t less)
{
    for (int64_t y = 0; y < rows; y++) {
        int64_t begin = y * t->wide, end = begin + t->wide - less;
        for (int64_t x = begin, stop; x < end; x = stop) {
            stop = x + STEP < end ? x + STEP : end;
            if (!differ(t->label + x, stop - x, to))
                continue;
            for (int64_t k = x; k < stop; k++)
                if (t->label[k] != t->label[k + to] && !met(t, k, to))
                    return 0;
        }
    }
    return 1;
}

static int look(Task *t) { return along(t, t->high, 1, 1) && along(t, t->high - 1, t->wide, 0); }

static int fits(Task *t, Py_ssize_t bytes, long long wide)
{
    t->wide = wide;
    t->high = wide > 0 ? bytes / 4 / wide : 0;
    return wide > 0 && t->high * wide * 4 == bytes;
}

static PyObject *unfit(void)
{
    PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
    return NULL;
}

PyDoc_STRVAR(many_doc,
"many(label, wide) -> how many pixels side by side differ in a map (H, W) int32.");

static PyObject *many(PyObject *module, PyObject *args)
{
    Py_buffer label;
    long long wide;
    Task t = {0};
    (void)module;
    if (!PyArg_ParseTuple(args, "y*L", &label, &wide))
        return NULL;
    t.label = label.buf;
    int good = fits(&t, label.len, wide);
    if (good) {
        Py_BEGIN_ALLOW_THREADS
        look(&t);
        Py_END_ALLOW_THREADS
    }
    PyBuffer_Release(&label);
    return good ? PyLong_FromLongLong(t.many) : unfit();
}

PyDoc_STRVAR(touch_doc,
"touch(label, wide, one, other, a, b)\n\nFill in where pixels side by side differ, and their "
"labels, the smaller first: (M,) int64 each, M as `many` tells.");

static PyObject *touch(PyObject *module, PyObject *args)
{
    Py_buffer b[5];
    long long wide;
    Task t = {0}, counted = {0};
    (void)module;
    if (!PyArg_ParseTuple(args, "y*Lw*w*w*w*", b, &wide, b + 1, b + 2, b + 3, b + 4))
        return NULL;
    t.label = b[0].buf;
    int good = fits(&t, b[0].len, wide);
    if (good) {
        Py_BEGIN_ALLOW_THREADS
        counted = t;
        look(&counted);
        for (int k = 1; k < 5; k++)
            good = good && b[k].len == counted.many * 8;
        if (good) {
            t.one = b[1].buf, t.other = b[2].buf, t.a = b[3].buf, t.b = b[4].buf;
            look(&t);
        }
        Py_END_ALLOW_THREADS
    }
    for (int k = 0; k < 5; k++)
        PyBuffer_Release(b + k);
    if (!good)
        return unfit();
    Py_RETURN_NONE;
}

PyDoc_STRVAR(share_doc,
"share(label, wide, count)\n\nCount how many pixel edges every two labels share: at the smaller "
"and the larger, `count` (N, N) int32.");

static PyObject *share(PyObject *module, PyObject *args)
{
    Py_buffer label, count;
    long long wide;
    Task t = {0};
    (void)module;
    if (!PyArg_ParseTuple(args, "y*Lw*", &label, &wide, &count))
        return NULL;
    t.label = label.buf, t.count = count.buf;
    int good = fits(&t, label.len, wide);
    while ((t.labels + 1) * (t.labels + 1) * 4 <= count.len)
        t.labels++;
    if (good) {
        Py_BEGIN_ALLOW_THREADS
        good = look(&t);
        Py_END_ALLOW_THREADS
    }
    PyBuffer_Release(&label);
    PyBuffer_Release(&count);
    if (!good)
        return unfit();
    Py_RETURN_NONE;
}

PyDoc_STRVAR(order_doc,
"order(label, of, most, number, out)\n\nNumber groups of labels 1.. as they are met, and lay the "
"numbers out: `label` and `out` (P,) int32, `of` (N,) int64 the group of each label, `number` "
"(M,) int64, zeros, that of each group. Group 0 and those after `most` others stay 0.");

static PyObject *order(PyObject *module, PyObject *args)
{
    Py_buffer b[4];
    long long most, next = 0;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*Lw*w*", b, b + 1, &most, b + 2, b + 3))
        return NULL;
    const int32_t *label = b[0].buf;
    const int64_t *of = b[1].buf;
    int64_t *number = b[2].buf;
    int32_t *out = b[3].buf;
    int64_t pixels = b[0].len / 4, labels = b[1].len / 8, groups = b[2].len / 8;
    int good = b[3].len == b[0].len;
    if (good) {
        Py_BEGIN_ALLOW_THREADS
        for (int64_t x = 0, end; good && x < pixels; x = end) {
            int32_t own = label[x];
            for (end = x + 1; end < pixels && label[end] == own; end++)
                ;
            int64_t group = own >= 0 && own < labels ? of[own] : -1;
            if (group < 0 || group >= groups) {
                good = 0;
                break;
            }
            if (group && !number[group] && next < most)
                number[group] = ++next;
            for (int64_t k = x; k < end; k++)
                out[k] = (int32_t)number[group];
        }
        Py_END_ALLOW_THREADS
    }
    for (int k = 0; k < 4; k++)
        PyBuffer_Release(b + k);
    if (!good)
        return unfit();
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {
    {"many", many, METH_VARARGS, many_doc},
    {"touch", touch, METH_VARARGS, touch_doc},
    {"share", share, METH_VARARGS, share_doc},
    {"order", order, METH_VARARGS, order_doc},
    {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {
    PyModuleDef_HEAD_INIT, "_sides", "Where labels meet.", -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__sides(void) { return PyModule_Create(&module); }
