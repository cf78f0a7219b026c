/* What a picture shows about turns of the edge (`outlines/surroundings.py`): bilinear, each value
   rounded where OpenCV 5 rounds it, so both give the same bits there (compiled without fused
   multiply and add but where it is asked for). The package works without this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <math.h>
#include <stdint.h>

#define MOST_TAPS 256
#define INLINE static inline __attribute__((always_inline))

#if defined(__x86_64__)
#define FAST __attribute__((target("avx2,fma")))
#else
#define FAST
#endif

static int able(void)
{
#if defined(__x86_64__)
    return __builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma");
#elif defined(__aarch64__)
    return 1;
#else
    return 0;
#endif
}

/* Where pixels lie: a picture, and the parts of it that places are counted in. */
typedef struct {
    const float *coverage;
    int64_t height, width, block, halo;
} Picture;

INLINE int64_t start_of(double at, const Picture *picture)
{
    if (!(at > 0 && at < 1e9))
        return 0;
    int64_t start = (int64_t)floor(at / (double)picture->block) * picture->block - picture->halo;
    return start > 0 ? start : 0;
}

INLINE float pixel(const Picture *picture, int64_t y, int64_t x)
{
    if (x < 0 || y < 0 || x >= picture->width || y >= picture->height)
        return 0;
    return picture->coverage[y * picture->width + x];
}

INLINE float between(float p, float q, float r, float s, float a, float b)
{
    float upper = __builtin_fmaf(a, q - p, p), lower = __builtin_fmaf(a, s - r, r);
    return __builtin_fmaf(b, lower - upper, upper);
}

/* Places about a point: whole px from the first that is counted from, and parts of a px. */
typedef struct {
    int32_t x[MOST_TAPS], y[MOST_TAPS];
    float a[MOST_TAPS], b[MOST_TAPS];
} Taps;

FAST static void look_at(const Picture *picture, const double *at, const double *way,
                         const float *sign, const float *along, const float *across, int64_t taps,
                         int64_t points, float *values, int64_t row, float parts)
{
    Taps t;
    double reach = 2; /* px about a point within which all is looked at */
    for (int64_t k = 0; k < taps; k++) {
        double far = fabs((double)along[k]) + fabs((double)across[k]) + 2;
        reach = far > reach ? far : reach;
    }
    for (int64_t n = 0; n < points; n++, at += 2, way += 2, values += row) {
        float u = (float)way[0], v = (float)way[1], up = u * sign[n], vp = v * sign[n];
        int64_t left = start_of(at[0], picture), top = start_of(at[1], picture);
        float x0 = (float)(at[0] - ((double)left + 0.5)), y0 = (float)(at[1] - ((double)top + 0.5));
        for (int64_t k = 0; k < taps; k++) {
            float x = u * along[k] - vp * across[k] + x0, y = v * along[k] + up * across[k] + y0;
            x = __builtin_rintf(x * parts) / parts, y = __builtin_rintf(y * parts) / parts;
            float low_x = __builtin_floorf(x), low_y = __builtin_floorf(y);
            t.a[k] = x - low_x, t.b[k] = y - low_y;
            t.x[k] = (int32_t)low_x, t.y[k] = (int32_t)low_y;
        }
        if (fabs(way[0]) < 1.01 && fabs(way[1]) < 1.01 && at[0] > reach && at[1] > reach && at[0] + reach < (double)picture->width &&
            at[1] + reach < (double)picture->height) {
            /* from the middle on, so that steps fit into 32 bits */
            int32_t wide = (int32_t)picture->width, x_m = t.x[0], y_m = t.y[0];
            const float *from =
                picture->coverage + (y_m + top) * picture->width + x_m + left;
            for (int64_t k = 0; k < taps; k++) {
                int32_t here = (t.y[k] - y_m) * wide + t.x[k] - x_m;
                values[k] = between(from[here], from[here + 1], from[here + wide],
                                    from[here + wide + 1], t.a[k], t.b[k]);
            }
        } else
            for (int64_t k = 0; k < taps; k++) {
                int64_t x = t.x[k] + left, y = t.y[k] + top;
                values[k] = between(pixel(picture, y, x), pixel(picture, y, x + 1),
                                    pixel(picture, y + 1, x), pixel(picture, y + 1, x + 1),
                                    t.a[k], t.b[k]);
            }
        if (sign[n] < 0)
            for (int64_t k = 0; k < taps; k++)
                values[k] = 1.0f - values[k];
    }
}

static PyObject *ended(Py_buffer *b, int count, int good, int done)
{
    for (int k = 0; k < count; k++)
        PyBuffer_Release(b + k);
    if (!good)
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
    else if (!done)
        PyErr_NoMemory();
    if (!good || !done)
        return NULL;
    Py_RETURN_NONE;
}

PyDoc_STRVAR(seen_doc,
"seen(coverage, at, way, sign, along, across, values, numbers, parts)\n\nPut `coverage` (H, W) "
"at K places about each point `at` (C, 2) float64 px into `values` (C, S), from a column on. "
"`along` and `across` (K,) px are turned by `way` (C, 2) float64, mirrored where `sign` (C,) is "
"-1, and rounded to `parts` of a px; what is mirrored is taken from 1. `numbers` are 6 int64: H, "
"W, S, the first column, side and halo of the parts of a large picture. Else float32.");

static PyObject *seen(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[8];
    float parts;
    if (!PyArg_ParseTuple(args, "y*y*y*y*y*y*w*y*f", b, b + 1, b + 2, b + 3, b + 4, b + 5, b + 6,
                          b + 7, &parts))
        return NULL;
    const int64_t *n = b[7].buf;
    int64_t points = b[3].len / 4, taps = b[4].len / 4;
    int good = able() && taps <= MOST_TAPS && b[7].len == 6 * 8 && n[0] > 0 && n[1] > 0 && n[1] < 1 << 20 && n[2] > 0 && n[3] >= 0 &&
               n[4] > 0 && n[5] >= 0 && n[0] * n[1] * 4 == b[0].len && b[1].len == points * 16 &&
               b[2].len == points * 16 && b[5].len == b[4].len && n[3] + taps <= n[2] &&
               b[6].len == points * n[2] * 4;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        Picture picture = {b[0].buf, n[0], n[1], n[4], n[5]};
        look_at(&picture, b[1].buf, b[2].buf, b[3].buf, b[4].buf, b[5].buf, taps, points,
                (float *)b[6].buf + n[3], n[2], parts);
        PyEval_RestoreThread(state);
    }
    return ended(b, 8, good, 1);
}

PyDoc_STRVAR(able_doc, "able()\n\nReturn whether this processor can do it.");

static PyObject *is_able(PyObject *module, PyObject *args)
{
    (void)module, (void)args;
    return PyBool_FromLong(able());
}

static PyMethodDef methods[] = {{"seen", seen, METH_VARARGS, seen_doc},
                                {"able", is_able, METH_NOARGS, able_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_seen", "Surroundings.",
                                    -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__seen(void) { return PyModule_Create(&module); }
