/* Size, depth, place and box of areas in one look: what `told.told_by_numpy` does.
   Whole numbers, and depths that are only compared: the same as numpy's. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>

typedef struct {
    const int32_t *label;
    const uint8_t *sure, *fresh;
    const float *depth;
    int64_t *size, *place, *box;
    float *most;
    int64_t high, wide, count, top, bottom, left, right;
} Task;

static int sound(const Task *t)
{
    if (t->top < 0 || t->left < 0 || t->bottom > t->high || t->right > t->wide)
        return 0;
    for (int64_t y = t->top; y < t->bottom; y++)
        for (int64_t x = t->left; x < t->right; x++) {
            int32_t own = t->label[y * t->wide + x];
            if (own < 0 || own >= t->count)
                return 0;
        }
    return 1;
}

static void look(const Task *t)
{
    int64_t across = t->right - t->left;
    for (int64_t y = t->top; y < t->bottom; y++) {
        const int32_t *own = t->label + y * t->wide;
        const uint8_t *sure = t->sure + y * t->wide;
        const float *depth = t->depth + y * t->wide;
        for (int64_t x = t->left, end; x < t->right; x = end) {
            int32_t k = own[x];
            for (end = x + 1; end < t->right && own[end] == k; end++)
                ;
            if (!t->fresh[k])
                continue;
            int64_t first = -1, last = -1, many = 0;
            float most = t->most[k];
            int64_t at = -1;
            for (int64_t i = x; i < end; i++)
                if (sure[i]) {
                    if (first < 0)
                        first = i;
                    last = i;
                    many++;
                    if (depth[i] >= most)
                        most = depth[i], at = i;
                }
            if (!many)
                continue;
            int64_t *box = t->box + 4 * k;
            if (!t->size[k])
                box[0] = y - t->top, box[2] = first - t->left, box[3] = 0;
            t->size[k] += many;
            box[1] = y - t->top + 1;
            if (first - t->left < box[2])
                box[2] = first - t->left;
            if (last - t->left + 1 > box[3])
                box[3] = last - t->left + 1;
            if (at >= 0) {
                t->most[k] = most;
                t->place[k] = (y - t->top) * across + at - t->left;
            }
        }
    }
}

PyDoc_STRVAR(tell_doc,
"tell(label, sure, depth, fresh, wide, top, bottom, left, right, size, most, place, box)\n\n"
"Tell what is on paper in a box of a map: see `told.told_by_numpy`. `label` (H, W) int32, `sure` "
"(H, W) bool, `depth` (H, W) float32, `fresh` (N,) bool; `size`, `place` (N,) int64, `most` (N,) "
"float32 and `box` (N, 4) int64 hold zeros, and are filled.");

static PyObject *tell(PyObject *module, PyObject *args)
{
    Py_buffer b[8];
    Task t = {0};
    long long wide, top, bottom, left, right;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*y*y*LLLLLw*w*w*w*", b, b + 1, b + 2, b + 3, &wide, &top,
                          &bottom, &left, &right, b + 4, b + 5, b + 6, b + 7))
        return NULL;
    t.label = b[0].buf, t.sure = b[1].buf, t.depth = b[2].buf, t.fresh = b[3].buf;
    t.size = b[4].buf, t.most = b[5].buf, t.place = b[6].buf, t.box = b[7].buf;
    t.wide = wide, t.top = top, t.bottom = bottom, t.left = left, t.right = right;
    t.count = b[3].len;
    t.high = wide > 0 ? b[1].len / wide : 0;
    int64_t pixels = t.high * t.wide;
    int good = 0;
    if (wide > 0 && pixels == b[1].len && pixels * 4 == b[0].len && pixels * 4 == b[2].len &&
        t.count * 8 == b[4].len && t.count * 4 == b[5].len && t.count * 8 == b[6].len &&
        t.count * 32 == b[7].len) {
        Py_BEGIN_ALLOW_THREADS
        good = sound(&t);
        if (good)
            look(&t);
        Py_END_ALLOW_THREADS
    }
    for (int k = 0; k < 8; k++)
        PyBuffer_Release(b + k);
    if (!good) {
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
        return NULL;
    }
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {{"tell", tell, METH_VARARGS, tell_doc}, {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {
    PyModuleDef_HEAD_INIT, "_told", "What labels of a map hold.", -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__told(void) { return PyModule_Create(&module); }
