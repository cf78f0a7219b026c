/* What lies around pixels beside the ink's edge, and what the network there makes of it: what
   `edges.py` does in numpy. Whole numbers alone, so both give the same. The package works without
   this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define KINDS 8
#define BLOCK 256

typedef struct {
    const uint8_t *codes;
    const int64_t *at, *steps;
    int64_t *order;
    uint8_t *seen;
    int64_t count, pixels, wide, cells, reach;
} Task;

static int64_t middle_of(const Task *task, int64_t at)
{
    int64_t inner = task->wide - 2 * task->reach;
    return (at / inner + task->reach) * task->wide + at % inner + task->reach;
}

/* How a patch is turned and mirrored, so that ink lies to the right of it and below. */
static int kind_of(const Task *task, int64_t middle)
{
    const uint8_t *here = task->codes + middle;
    int64_t wide = task->wide;
    int right = 0, down = 0;
    for (int along = -1; along <= 1; along++) {
        right += here[along * wide + 1] - here[along * wide - 1];
        down += here[along + wide] - here[along - wide];
    }
    return (right < 0) + 2 * (down < 0) + 4 * (abs(down) > abs(right));
}

static int gather_all(const Task *task)
{
    int64_t begin[KINDS + 1] = {0};
    uint8_t *kind = malloc((size_t)task->count + 1);
    int64_t *middle = malloc((size_t)(task->count + 1) * sizeof(int64_t));
    int done = kind && middle;
    for (int64_t k = 0; done && k < task->count; k++) {
        kind[k] = (uint8_t)kind_of(task, middle_of(task, task->at[k]));
        begin[kind[k] + 1]++;
    }
    for (int k = 0; k < KINDS; k++)
        begin[k + 1] += begin[k];
    for (int64_t k = 0; done && k < task->count; k++) {
        int64_t place = begin[kind[k]]++;
        task->order[place] = k;
        middle[place] = middle_of(task, task->at[k]);
    }
    /* every begin has moved to the next one's */
    for (int way = 0; done && way < KINDS; way++)
        for (int64_t first = way ? begin[way - 1] : 0; first < begin[way]; first += BLOCK) {
            int64_t last = first + BLOCK < begin[way] ? first + BLOCK : begin[way];
            for (int64_t cell = 0; cell < task->cells; cell++) {
                uint8_t *row = task->seen + cell * task->count;
                const uint8_t *codes = task->codes + task->steps[way * task->cells + cell];
                for (int64_t k = first; k < last; k++)
                    row[k] = codes[middle[k]];
            }
        }
    free(kind), free(middle);
    return done;
}

static int sound(const Task *task)
{
    int64_t inner = task->wide - 2 * task->reach;
    if (task->reach < 1 || inner < 1 || task->pixels % task->wide)
        return 0;
    int64_t rows = task->pixels / task->wide - 2 * task->reach;
    int64_t furthest = task->reach * (task->wide + 1);
    for (int64_t k = 0; k < KINDS * task->cells; k++)
        if (task->steps[k] < -furthest || task->steps[k] > furthest)
            return 0;
    for (int64_t k = 0; k < task->count; k++)
        if (task->at[k] < 0 || task->at[k] >= rows * inner)
            return 0;
    return 1;
}

PyDoc_STRVAR(gather_doc,
"gather(codes, at, steps, order, seen, wide, reach)\n\nPut what lies around each place into "
"`seen` (cells, N) uint8, turned and mirrored, the places in the `order` (N,) int64. `codes` are "
"uint8, rows of `wide`, with `reach` more pixels on all sides than the picture that the places "
"`at` (N,) int64 count in; `steps` (8, cells) int64 lead from a place to those around it, by how "
"it is turned.");

static PyObject *gather(PyObject *module, PyObject *args)
{
    Py_buffer b[5];
    Task task;
    long long wide, reach;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*y*w*w*LL", b, b + 1, b + 2, b + 3, b + 4, &wide, &reach))
        return NULL;
    task.codes = b[0].buf, task.at = b[1].buf, task.steps = b[2].buf;
    task.order = b[3].buf, task.seen = b[4].buf;
    task.wide = wide, task.reach = reach, task.pixels = b[0].len;
    task.count = b[1].len / (Py_ssize_t)sizeof(int64_t);
    task.cells = b[2].len / (Py_ssize_t)(KINDS * sizeof(int64_t));
    int good = b[1].len == 8 * task.count && b[2].len == 8 * KINDS * task.cells &&
               b[3].len == 8 * task.count && b[4].len == task.cells * task.count && sound(&task);
    int done = 0;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        done = gather_all(&task);
        PyEval_RestoreThread(state);
    }
    for (int k = 0; k < 5; k++)
        PyBuffer_Release(b + k);
    if (!good) {
        PyErr_SetString(PyExc_ValueError, "places or arrays do not fit each other");
        return NULL;
    }
    if (!done)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

/* The network, for a block of pixels at once. */

#define LANES 8
#define VECTORS 8
#define AT_ONCE (LANES * VECTORS)
#define WIDEST 64
#define INLINE static inline __attribute__((always_inline))

typedef float V __attribute__((vector_size(4 * LANES), aligned(4)));
typedef int32_t M __attribute__((vector_size(4 * LANES), aligned(4)));

typedef struct {
    const uint8_t *seen;
    const float *weights;
    const int64_t *sizes;
    float *out;
    int64_t count, layers;
} Net;

/* Nearest whole numbers, halves to the even one, from 0 to `full`. */
INLINE void make_whole(V *value, float full)
{
    const V shift = (V){0} + 12582912.0f; /* 1.5 * 2^23: beyond it floats have no fractions */
    V near = (*value + shift) - shift, most = (V){0} + full;
    near = (V)((M)near & (near > 0));
    M over = near > most;
    *value = (V)(((M)near & ~over) | ((M)most & over));
}

INLINE void layer(const float *weights, int64_t in, int64_t out, const V (*from)[VECTORS],
                  V (*to)[VECTORS], int last, float full)
{
    const float *bias = weights + in * out;
    for (int64_t j = 0; j < out; j++) {
        V sum[VECTORS];
        for (int b = 0; b < VECTORS; b++)
            sum[b] = (V){0} + bias[j];
        for (int64_t i = 0; i < in; i++)
            for (int b = 0; b < VECTORS; b++)
                sum[b] += weights[j * in + i] * from[i][b];
        for (int b = 0; b < VECTORS; b++) {
            if (!last)
                make_whole(sum + b, full);
            to[j][b] = sum[b];
        }
    }
}

INLINE void judge_block(const Net *net, int64_t first, int64_t many, float full)
{
    V one[WIDEST][VECTORS], two[WIDEST][VECTORS];
    for (int64_t i = 0; i < net->sizes[0]; i++) {
        const uint8_t *row = net->seen + i * net->count + first;
        float *to = (float *)one[i];
        uint8_t some[AT_ONCE] = {0};
        memcpy(some, row, many == AT_ONCE ? AT_ONCE : (size_t)many);
        for (int k = 0; k < AT_ONCE; k++)
            to[k] = (float)some[k];
    }
    const float *weights = net->weights;
    for (int64_t k = 0; k < net->layers; k++) {
        int64_t in = net->sizes[k], out = net->sizes[k + 1];
        layer(weights, in, out, k % 2 ? two : one, k % 2 ? one : two, k + 1 == net->layers, full);
        weights += (in + 1) * out;
    }
    const float *told = (const float *)(net->layers % 2 ? two : one)[0];
    for (int64_t k = 0; k < many; k++)
        net->out[first + k] = told[k] * (float)(1.0 / full);
}

INLINE void judge_all(const Net *net, float full)
{
    for (int64_t first = 0; first < net->count; first += AT_ONCE) {
        int64_t left = net->count - first;
        judge_block(net, first, left < AT_ONCE ? left : AT_ONCE, full);
    }
}

static void judge_plain(const Net *net, float full) { judge_all(net, full); }

#if defined(__x86_64__)
__attribute__((target("avx2,fma"))) static void judge_fast(const Net *net, float full)
{
    judge_all(net, full);
}
#endif

static int sound_net(const Net *net, const Py_buffer *b)
{
    int64_t floats = 0;
    if (net->layers < 1)
        return 0;
    for (int64_t k = 0; k <= net->layers; k++) {
        if (net->sizes[k] < 1 || net->sizes[k] > WIDEST)
            return 0;
        floats += k ? (net->sizes[k - 1] + 1) * net->sizes[k] : 0;
    }
    return b[0].len == net->sizes[0] * net->count && b[1].len == 4 * floats &&
           net->sizes[net->layers] == 1;
}

PyDoc_STRVAR(judge_doc,
"judge(seen, weights, sizes, out, full)\n\nPut what a network makes of `seen` (cells, N) uint8 "
"into `out` (N,) float32. `weights` float32 are those (out, in) of each layer and its bias, one "
"after another; `sizes` int64 of the layers, the first for the cells. Sums become whole numbers "
"from 0 to `full` between layers, and the last is divided by it.");

static PyObject *judge(PyObject *module, PyObject *args)
{
    Py_buffer b[4];
    double full;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*y*w*d", b, b + 1, b + 2, b + 3, &full))
        return NULL;
    Net net = {b[0].buf, b[1].buf, b[2].buf, b[3].buf, b[3].len / 4, b[2].len / 8 - 1};
    int good = sound_net(&net, b);
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
#if defined(__x86_64__)
        if (__builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma"))
            judge_fast(&net, (float)full);
        else
#endif
            judge_plain(&net, (float)full);
        PyEval_RestoreThread(state);
    }
    for (int k = 0; k < 4; k++)
        PyBuffer_Release(b + k);
    if (!good) {
        PyErr_SetString(PyExc_ValueError, "layers or arrays do not fit each other");
        return NULL;
    }
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {{"gather", gather, METH_VARARGS, gather_doc},
                                {"judge", judge, METH_VARARGS, judge_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_edges", "What lies around pixels.",
                                    -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__edges(void) { return PyModule_Create(&module); }
