/* The small network that tells whether turns of the edge are corners (`judge.py`). Sums are taken
   in one order wherever it runs, by fused multiply and add, in double precision, of which six
   digits are kept. The package works without this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>

#define INLINE static inline __attribute__((always_inline))
#define LANES 8
#define ROWS 6     /* summed at once */
#define GROUPS 4   /* of rows for which weights stay in the cache */
#define BATCH (ROWS * GROUPS)
#define MOST_LAYERS 8

#if defined(__x86_64__)
#define FAST __attribute__((target("avx2,fma")))
#if __GNUC__ >= 12 || __clang_major__ >= 12
#define WIDE __attribute__((target("avx512f,avx2,fma")))
#endif
#else
#define FAST
#endif

typedef double V __attribute__((vector_size(8 * LANES), aligned(8)));
typedef int64_t M __attribute__((vector_size(8 * LANES), aligned(8)));

typedef struct {
    const double *weights, *bias;
    int64_t inputs, outputs, blocks; /* blocks of LANES outputs */
} Layer;

/* ROWS rows of `from`, `stride` apart, times `wide` blocks of a layer's weights. */
INLINE void block_of(const Layer *layer, int64_t block, const double *from, double *to,
                     int64_t stride, int above, const int wide)
{
    V sum[ROWS][4];
    for (int r = 0; r < ROWS; r++)
        for (int b = 0; b < wide; b++)
            sum[r][b] = (V){0};
    const double *weights = layer->weights + block * layer->inputs * LANES;
    for (int64_t k = 0; k < layer->inputs; k++, weights += wide * LANES) {
        V w[4];
        for (int b = 0; b < wide; b++)
            w[b] = *(const V *)(weights + b * LANES);
        for (int r = 0; r < ROWS; r++)
            for (int b = 0; b < wide; b++)
                sum[r][b] += from[r * stride + k] * w[b];
    }
    for (int r = 0; r < ROWS; r++)
        for (int b = 0; b < wide; b++) {
            V value = sum[r][b] + *(const V *)(layer->bias + (block + b) * LANES);
            if (above)
                value = (V)((M)value & (value > 0));
            *(V *)(to + r * stride + (block + b) * LANES) = value;
        }
}

INLINE void layer_of(const Layer *layer, const double *from, double *to, int64_t stride, int above,
                     const int most)
{
    int64_t block = 0;
#define BLOCKS(wide)                                                                              \
    for (; block + (wide) <= layer->blocks; block += (wide))                                      \
        for (int g = 0; g < GROUPS; g++)                                                          \
            block_of(layer, block, from + g * ROWS * stride, to + g * ROWS * stride, stride,      \
                     above, wide)
    if (most == 4) {
        BLOCKS(4);
    }
    BLOCKS(1);
}

INLINE void judge_with(const Layer *layers, int64_t count, const float *values, int64_t points,
                       double *told, double *work, int64_t stride, const int most)
{
    int64_t inputs = layers[0].inputs, outputs = layers[count - 1].outputs;
    for (int64_t first = 0; first < points; first += BATCH) {
        int64_t left = points - first, rows = left < BATCH ? left : BATCH;
        double *from = work, *to = work + BATCH * stride;
        for (int64_t r = 0; r < BATCH; r++) /* rows that nobody asked for repeat the last one */
            for (int64_t k = 0; k < inputs; k++)
                from[r * stride + k] = values[(first + (r < rows ? r : rows - 1)) * inputs + k];
        for (int64_t n = 0; n < count; n++) {
            layer_of(layers + n, from, to, stride, n + 1 < count, most);
            double *other = from;
            from = to, to = other;
        }
        for (int64_t r = 0; r < rows; r++)
            for (int64_t k = 0; k < outputs; k++)
                told[(first + r) * outputs + k] = from[r * stride + k];
    }
}

FAST static void judge_fast(const Layer *layers, int64_t count, const float *values,
                            int64_t points, double *told, double *work, int64_t stride)
{
    judge_with(layers, count, values, points, told, work, stride, 1);
}

#ifdef WIDE
WIDE static void judge_wide(const Layer *layers, int64_t count, const float *values,
                            int64_t points, double *told, double *work, int64_t stride)
{
    judge_with(layers, count, values, points, told, work, stride, 4);
}
#endif

static int have_wide(void)
{
#ifdef WIDE
    return __builtin_cpu_supports("avx512f") != 0;
#else
    return 0;
#endif
}

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

PyDoc_STRVAR(judge_doc,
"judge(values, weights, sizes, told)\n\nPut what a network makes of `values` (C, inputs) float32 "
"into `told` (C, outputs) float64; what lies between layers is nowhere below 0. `sizes` (int64) "
"are inputs and then outputs of each layer; `weights` (float64) of each its weights, in blocks of "
"8 outputs, four blocks after the other for each input as long as there are four, then one "
"block, then the bias; zeros fill up the last block.");

static PyObject *judge(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[4];
    if (!PyArg_ParseTuple(args, "y*y*y*w*", b, b + 1, b + 2, b + 3))
        return NULL;
    const int64_t *sizes = b[2].buf;
    int64_t count = b[2].len / 8 - 1, doubles = 0, stride = LANES, points = 0;
    int good = able() && count >= 1 && count <= MOST_LAYERS, done = 1;
    Layer layers[MOST_LAYERS];
    for (int64_t k = 0; good && k <= count; k++)
        good = sizes[k] > 0 && sizes[k] < 65536;
    for (int64_t k = 0; good && k < count; k++) {
        int64_t blocks = (sizes[k + 1] + LANES - 1) / LANES;
        const double *start = (const double *)b[1].buf + doubles;
        layers[k] = (Layer){start, start + sizes[k] * blocks * LANES, sizes[k], sizes[k + 1], blocks};
        doubles += (sizes[k] + 1) * blocks * LANES;
        stride = sizes[k] > stride ? sizes[k] : stride;
        stride = blocks * LANES > stride ? blocks * LANES : stride;
    }
    if (good) {
        points = b[0].len / 4 / sizes[0];
        good = doubles * 8 == b[1].len && points * sizes[0] * 4 == b[0].len &&
               points * sizes[count] * 8 == b[3].len;
    }
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        double *work = calloc((size_t)(2 * BATCH * stride), sizeof(double));
        done = work != NULL;
#ifdef WIDE
        if (done && have_wide())
            judge_wide(layers, count, b[0].buf, points, b[3].buf, work, stride);
        else
#endif
        if (done)
            judge_fast(layers, count, b[0].buf, points, b[3].buf, work, stride);
        free(work);
        PyEval_RestoreThread(state);
    }
    return ended(b, 4, good, done);
}

PyDoc_STRVAR(able_doc, "able()\n\nReturn whether this processor can do it.");

static PyObject *is_able(PyObject *module, PyObject *args)
{
    (void)module, (void)args;
    return PyBool_FromLong(able());
}

static PyMethodDef methods[] = {{"judge", judge, METH_VARARGS, judge_doc},
                                {"able", is_able, METH_NOARGS, able_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_judge", "Corners judged.",
                                    -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__judge(void) { return PyModule_Create(&module); }
