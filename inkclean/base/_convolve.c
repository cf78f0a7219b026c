/* Convolutions of small networks (`base/convolve.py`). Channels lie in blocks of eight, pixel
   after pixel, so that one step of the processor takes eight of them. Every output is summed in
   the same order by fused multiply and add wherever it runs: results do not depend on threads,
   nor on how many lanes the processor has.
   The package works without this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>

#define LANES 8
#define ALONG 6
#define INLINE static inline __attribute__((always_inline))

#if defined(__x86_64__)
#define FAST __attribute__((target("avx2,fma")))
#if __GNUC__ >= 12 || __clang_major__ >= 12
#define WIDE __attribute__((target("avx512f,avx512vl,avx512dq,avx2,fma")))
#endif
#else
#define FAST
#endif

typedef float V __attribute__((vector_size(4 * LANES), aligned(4)));
typedef int32_t M __attribute__((vector_size(4 * LANES), aligned(4)));
typedef float W __attribute__((vector_size(8 * LANES), aligned(4)));

typedef struct {
    int64_t start, row, px, block;
} Steps;

typedef struct {
    const float *from, *weights, *bias, *add;
    float *to;
    const int64_t *taps;
    Steps in, more, out;
    int64_t rows, columns, blocks, places, channels, above, lanes;
} Task;

/* Puts a sum where it belongs, and `add` on top. */
INLINE void put(const Task *task, V value, const float *add, float *to)
{
    if (add)
        value += *(const V *)add;
    if (task->above)
        value = (V)((M)value & (value > 0));
    *(V *)to = value;
}

/* `along` pixels beside each other, `wide` blocks of outputs. */
INLINE void pixels(const Task *task, const float *from, const float *weights, const float *bias,
                   const float *add, float *to, const int along, const int wide, const int step)
{
    V sum[ALONG * 2][2];
    for (int p = 0; p < along; p++)
        for (int b = 0; b < wide; b++)
            sum[p][b] = *(const V *)(bias + b * LANES);
    for (int64_t k = 0; k < task->places; k++) {
        const float *here = from + task->taps[k];
        for (int64_t c = 0; c < task->channels; c++, weights += wide * LANES) {
            V w[2];
            for (int b = 0; b < wide; b++)
                w[b] = *(const V *)(weights + b * LANES);
            for (int p = 0; p < along; p++)
                for (int b = 0; b < wide; b++)
                    sum[p][b] += here[p * step + c] * w[b];
        }
    }
    for (int p = 0; p < along; p++)
        for (int b = 0; b < wide; b++)
            put(task, sum[p][b], add ? add + p * task->more.px + b * task->more.block : add,
                to + p * task->out.px + b * task->out.block);
}

/* Else the sums don't stay in registers. */
#define EACH_PIXEL _Pragma("GCC unroll 24")

/* The same of two blocks of outputs, where a step of the processor takes both. */
INLINE void pairs(const Task *task, const float *from, const float *weights, const float *bias,
                  const float *add, float *to, const int along, const int step)
{
    W sum[4 * ALONG];
    EACH_PIXEL
    for (int p = 0; p < along; p++)
        sum[p] = *(const W *)bias;
    for (int64_t k = 0; k < task->places; k++) {
        const float *here = from + task->taps[k];
        for (int64_t c = 0; c < task->channels; c++, weights += 2 * LANES) {
            W w = *(const W *)weights;
            EACH_PIXEL
            for (int p = 0; p < along; p++)
                sum[p] += here[p * step + c] * w;
        }
    }
    EACH_PIXEL
    for (int p = 0; p < along; p++) {
        const float *more = add ? add + p * task->more.px : add;
        float *own = to + p * task->out.px;
        put(task, __builtin_shufflevector(sum[p], sum[p], 0, 1, 2, 3, 4, 5, 6, 7), more, own);
        put(task, __builtin_shufflevector(sum[p], sum[p], 8, 9, 10, 11, 12, 13, 14, 15),
            more ? more + task->more.block : more, own + task->out.block);
    }
}

INLINE void line(const Task *task, int64_t row, int64_t block, const float *weights, const int wide,
                 const int step, const int lanes)
{
    const float *from = task->from + task->in.start + row * task->in.row;
    const float *bias = task->bias + block * LANES;
    const float *add = task->add;
    float *to = task->to + task->out.start + row * task->out.row + block * task->out.block;
    const int most = wide == 2 ? ALONG : 2 * ALONG;
    int64_t at = 0;
    if (add)
        add += task->more.start + row * task->more.row + block * task->more.block;
    if (wide == 2 && lanes > LANES) {
#define PAIRS(along)                                                                              \
    for (; at + (along) <= task->columns; at += (along))                                          \
        pairs(task, from + at * step, weights, bias, add ? add + at * task->more.px : add,        \
              to + at * task->out.px, along, step)
        PAIRS(4 * ALONG);
        PAIRS(2 * ALONG);
        PAIRS(ALONG);
        PAIRS(1);
        return;
    }
#define PART(along)                                                                               \
    for (; at + (along) <= task->columns; at += (along))                                          \
        pixels(task, from + at * step, weights, bias, add ? add + at * task->more.px : add,       \
               to + at * task->out.px, along, wide, step)
    PART(most);
    PART(4);
    PART(2);
    PART(1);
}

INLINE void all_lines(const Task *task, const int step, const int lanes)
{
    int64_t each = task->places * task->channels * LANES;
    for (int64_t row = 0; row < task->rows; row++) {
        int64_t block = 0;
        for (; block + 2 <= task->blocks; block += 2)
            line(task, row, block, task->weights + block * each, 2, step, lanes);
        if (block < task->blocks)
            line(task, row, block, task->weights + block * each, 1, step, lanes);
    }
}

INLINE void convolve_with(const Task *task, const int lanes)
{
    if (task->in.px == LANES)
        all_lines(task, LANES, lanes);
    else
        all_lines(task, 2 * LANES, lanes);
}

FAST static void convolve_all(const Task *task)
{
    convolve_with(task, LANES);
}

#ifdef WIDE
WIDE static void convolve_wide(const Task *task)
{
    convolve_with(task, 2 * LANES);
}
#endif

/* Convolutions of 3 x 3 by fewer products: F(2 x 2, 3 x 3) of Lavin and Gray, "Fast algorithms for
   convolutional neural networks", CVPR 2016. Squares of 4 x 4 pixels become 16 sums each, which
   are multiplied apart, and give 2 x 2 pixels. */

#define SQUARES 24 /* at once: what is made of them stays in the cache */
#define SUMS 16
#define PLANE (SQUARES * LANES + 24) /* floats; some more, so that planes don't share places in it */

#define AT(place) (*(const V *)(place))

/* What a square of a block of channels is multiplied as: `apart` floats from sum to sum. */
INLINE void sums_of(const float *from, int64_t row, float *to, int64_t apart)
{
    V half[4][4];
    for (int x = 0; x < 4; x++) {
        V a = AT(from + x * LANES), b = AT(from + row + x * LANES);
        V c = AT(from + 2 * row + x * LANES), d = AT(from + 3 * row + x * LANES);
        half[0][x] = a - c, half[1][x] = b + c, half[2][x] = c - b, half[3][x] = b - d;
    }
    for (int y = 0; y < 4; y++) {
        float *own = to + 4 * y * apart;
        *(V *)own = half[y][0] - half[y][2];
        *(V *)(own + apart) = half[y][1] + half[y][2];
        *(V *)(own + 2 * apart) = half[y][2] - half[y][1];
        *(V *)(own + 3 * apart) = half[y][1] - half[y][3];
    }
}

/* The four pixels that the products of a square give. */
INLINE void pixels_of(const Task *task, const float *from, int64_t apart, const float *bias,
                      const float *add, float *to)
{
    V half[2][4];
    for (int x = 0; x < 4; x++) {
        V a = AT(from + x * apart), b = AT(from + (4 + x) * apart);
        V c = AT(from + (8 + x) * apart), d = AT(from + (12 + x) * apart);
        half[0][x] = a + b + c, half[1][x] = b - c - d;
    }
    for (int y = 0; y < 2; y++) {
        V two[2] = {half[y][0] + half[y][1] + half[y][2], half[y][1] - half[y][2] - half[y][3]};
        for (int x = 0; x < 2; x++) {
            V value = two[x] + AT(bias);
            if (add)
                value += AT(add + y * task->more.row + x * task->more.px);
            if (task->above)
                value = (V)((M)value & (value > 0));
            *(V *)(to + y * task->out.row + x * task->out.px) = value;
        }
    }
}

/* The products of `count` squares: (sums, blocks, squares, lanes) of inputs, then of outputs. */
INLINE void products(const Task *task, const float *sums, float *out, const int64_t *steps,
                     const float *zeros, int64_t count, const int lanes)
{
    int64_t inputs = task->places * PLANE, each = task->places * LANES * LANES;
    Task part = *task;
    part.channels = LANES, part.taps = steps, part.add = NULL, part.bias = zeros, part.above = 0;
    part.in = (Steps){0, 0, LANES, 0}, part.out = (Steps){0, 0, LANES, PLANE};
    part.rows = 1, part.columns = count;
    for (int k = 0; k < SUMS; k++) {
        part.from = sums + k * inputs;
        part.to = out + k * task->blocks * PLANE;
        part.weights = task->weights + k * task->blocks * each;
        all_lines(&part, LANES, lanes);
    }
}

INLINE void square_with(const Task *task, float *sums, float *out, int64_t *steps,
                        const float *zeros, const int lanes)
{
    for (int64_t k = 0; k < task->places; k++)
        steps[k] = k * PLANE;
    for (int64_t row = 0; row < task->rows; row += 2)
        for (int64_t first = 0; first < task->columns; first += 2 * SQUARES) {
            int64_t left = (task->columns - first) / 2, count = left < SQUARES ? left : SQUARES;
            const float *from = task->from + task->in.start + row * task->in.row + first * LANES;
            for (int64_t block = 0; block < task->places; block++)
                for (int64_t k = 0; k < count; k++)
                    sums_of(from + block * task->in.block + 2 * k * LANES, task->in.row,
                            sums + block * PLANE + k * LANES, task->places * PLANE);
            products(task, sums, out, steps, zeros, count, lanes);
            for (int64_t block = 0; block < task->blocks; block++) {
                const float *add = task->add;
                float *to = task->to + task->out.start + row * task->out.row +
                            first * task->out.px + block * task->out.block;
                if (add)
                    add += task->more.start + row * task->more.row + first * task->more.px +
                           block * task->more.block;
                for (int64_t k = 0; k < count; k++)
                    pixels_of(task, out + block * PLANE + k * LANES, task->blocks * PLANE,
                              task->bias + block * LANES,
                              add ? add + 2 * k * task->more.px : add, to + 2 * k * task->out.px);
            }
        }
}

FAST static void square_all(const Task *task, float *sums, float *out, int64_t *steps,
                            const float *zeros)
{
    square_with(task, sums, out, steps, zeros, LANES);
}

#ifdef WIDE
WIDE static void square_wide(const Task *task, float *sums, float *out, int64_t *steps,
                             const float *zeros)
{
    square_with(task, sums, out, steps, zeros, 2 * LANES);
}
#endif

/* Lanes that a step of this processor takes, 0 if it can't do it at all. */
static int most_lanes(void)
{
#ifdef WIDE
    if (__builtin_cpu_supports("avx512f") && __builtin_cpu_supports("avx512vl") &&
        __builtin_cpu_supports("avx512dq"))
        return 2 * LANES;
#endif
#if defined(__x86_64__)
    return __builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma") ? LANES : 0;
#elif defined(__aarch64__)
    return LANES;
#else
    return 0;
#endif
}

/* Whether what is asked lies within `length` floats. */
static int within(const Task *task, const Steps *steps, int64_t blocks, int64_t low, int64_t high,
                  int64_t length)
{
    if (steps->row < 0 || steps->px < 0 || steps->block < 0 || steps->start + low < 0)
        return 0;
    int64_t last = steps->start + (task->rows - 1) * steps->row + (task->columns - 1) * steps->px;
    return last + (blocks - 1) * steps->block + high <= length;
}

static int sound(const Task *task, const Py_buffer *b)
{
    int64_t floats[6], low = 0, high = 0;
    for (int k = 0; k < 6; k++)
        floats[k] = b[k].len / 4;
    if (task->rows < 1 || task->columns < 1 || task->blocks < 1 || task->places < 1 ||
        task->channels < 1 || task->channels > LANES)
        return 0;
    if (task->in.px != LANES && task->in.px != 2 * LANES)
        return 0;
    for (int64_t k = 0; k < task->places; k++) {
        low = task->taps[k] < low ? task->taps[k] : low;
        high = task->taps[k] > high ? task->taps[k] : high;
    }
    return floats[1] == task->blocks * LANES * task->places * task->channels &&
           floats[2] == task->blocks * LANES &&
           within(task, &task->in, 1, low, high + LANES, floats[0]) &&
           within(task, &task->out, task->blocks, 0, LANES, floats[4]) &&
           (!task->add || within(task, &task->more, task->blocks, 0, LANES, floats[3]));
}

/* Rows and columns are even, and 4 x 4 pixels lie about each two of them. */
static int sound_squares(const Task *task, const Py_buffer *b)
{
    if (task->rows < 2 || task->columns < 2 || task->rows % 2 || task->columns % 2 ||
        task->blocks < 1 || task->places < 1 || task->channels != LANES || task->in.px != LANES)
        return 0;
    for (int64_t k = 0; k < task->places; k++)
        if (task->taps[k] != k * task->in.block)
            return 0;
    int64_t high = 2 * task->in.row + 2 * LANES + LANES;
    return b[1].len / 4 == SUMS * task->blocks * LANES * task->places * LANES &&
           b[2].len / 4 == task->blocks * LANES &&
           within(task, &task->in, task->places, 0, high, b[0].len / 4) &&
           within(task, &task->out, task->blocks, 0, LANES, b[4].len / 4) &&
           (!task->add || within(task, &task->more, task->blocks, 0, LANES, b[3].len / 4));
}

PyDoc_STRVAR(convolve_doc,
"convolve(source, weights, bias, added, target, taps, numbers)\n\nPut into `target` the sums of "
"what `taps` (int64, in floats) reach in `source` from each pixel, times `weights`, and `bias` and "
"`added` (if it is not empty) on top. `numbers` are 18 int64: start, and steps to the next row, "
"pixel and block of source, added and target each; rows, columns, blocks of outputs, channels a "
"tap, whether what is below 0 becomes 0, and how many lanes to take at a time, at most as many as "
"`lanes` tells. `weights` are (blocks / 2, taps, channels, 16), a "
"last odd block (taps, channels, 8). All else is float32.");

/* Reads what both ways are given; 0 where it does not fit. */
static int read_task(Task *task, const Py_buffer *b)
{
    *task = (Task){b[0].buf, b[1].buf, b[2].buf, b[3].len ? b[3].buf : NULL, b[4].buf, b[5].buf,
                   {0}, {0}, {0}, 0, 0, 0, b[5].len / 8, 0, 0, 0};
    if (b[6].len != 18 * 8)
        return 0;
    const int64_t *n = b[6].buf;
    task->in = (Steps){n[0], n[1], n[2], n[3]};
    task->more = (Steps){n[4], n[5], n[6], n[7]};
    task->out = (Steps){n[8], n[9], n[10], n[11]};
    task->rows = n[12], task->columns = n[13], task->blocks = n[14];
    task->channels = n[15], task->above = n[16], task->lanes = n[17];
    return task->lanes >= LANES && task->lanes <= most_lanes();
}

static int square_task(const Task *task)
{
    size_t floats = (size_t)SUMS * PLANE * sizeof(float);
    float *sums = malloc(floats * (size_t)task->places);
    float *out = malloc(floats * (size_t)task->blocks);
    int64_t *steps = malloc((size_t)task->places * sizeof(int64_t));
    float *zeros = calloc((size_t)task->blocks * LANES, sizeof(float));
    int done = sums && out && steps && zeros;
#ifdef WIDE
    if (done && task->lanes > LANES)
        square_wide(task, sums, out, steps, zeros);
    else
#endif
    if (done)
        square_all(task, sums, out, steps, zeros);
    free(sums), free(out), free(steps), free(zeros);
    return done;
}

static PyObject *either(PyObject *args, int squares)
{
    Py_buffer b[7];
    if (!PyArg_ParseTuple(args, "y*y*y*y*w*y*y*", b, b + 1, b + 2, b + 3, b + 4, b + 5, b + 6))
        return NULL;
    Task task;
    int good = read_task(&task, b) && (squares ? sound_squares(&task, b) : sound(&task, b)), done = 1;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        if (squares)
            done = square_task(&task);
#ifdef WIDE
        else if (task.lanes > LANES)
            convolve_wide(&task);
#endif
        else
            convolve_all(&task);
        PyEval_RestoreThread(state);
    }
    for (int k = 0; k < 7; k++)
        PyBuffer_Release(b + k);
    if (!good)
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
    else if (!done)
        PyErr_NoMemory();
    if (!good || !done)
        return NULL;
    Py_RETURN_NONE;
}

static PyObject *convolve(PyObject *module, PyObject *args)
{
    (void)module;
    return either(args, 0);
}

PyDoc_STRVAR(squares_doc,
"squares(source, weights, bias, added, target, taps, numbers)\n\nAs `convolve`, of 3 x 3 pixels, "
"two rows and two columns at a time. `taps` are one for each block of inputs, from a pixel to the "
"one above and to the left of it; `weights` are (16, blocks / 2, inputs, 16), last odd blocks "
"(inputs, 8).");

static PyObject *squares(PyObject *module, PyObject *args)
{
    (void)module;
    return either(args, 1);
}

/* Some rows of `channels` planes of h x w floats, eight to a block, zeros where there are fewer. */
static void lay_rows(const float *cells, float *to, const int64_t *n)
{
    const int64_t channels = n[0], plane = n[1] * n[2], w = n[2], rim = n[3], wide = w + 2 * rim;
    for (int64_t block = 0; block * LANES < channels; block++)
        for (int64_t y = n[4]; y < n[5]; y++) {
            const float *from = cells + block * LANES * plane + y * w;
            float *own = to + ((block * (n[1] + 2 * rim) + y + rim) * wide + rim) * LANES;
            int64_t some = channels - block * LANES < LANES ? channels - block * LANES : LANES;
            if (some == LANES)
                for (int64_t x = 0; x < w; x++, own += LANES)
                    for (int c = 0; c < LANES; c++)
                        own[c] = from[c * plane + x];
            else
                for (int64_t x = 0; x < w; x++, own += LANES)
                    for (int64_t c = 0; c < LANES; c++)
                        own[c] = c < some ? from[c * plane + x] : 0;
        }
}

PyDoc_STRVAR(lay_doc,
"lay(cells, planes, numbers)\n\nPut some rows of `cells` (C, h, w) into `planes`, blocks of eight "
"channels with a rim all around. Both are float32; `numbers` are 6 int64: C, h, w, the rim, and "
"the first row and the one after the last.");

static PyObject *lay(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[3];
    if (!PyArg_ParseTuple(args, "y*w*y*", b, b + 1, b + 2))
        return NULL;
    const int64_t *n = b[2].buf;
    int good = b[2].len == 6 * 8 && n[0] > 0 && n[1] > 0 && n[2] > 0 && n[3] >= 0 && n[4] >= 0 &&
               n[5] <= n[1] && n[0] * n[1] * n[2] == b[0].len / 4 &&
               (n[0] + LANES - 1) / LANES * (n[1] + 2 * n[3]) * (n[2] + 2 * n[3]) * LANES ==
                   b[1].len / 4;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        lay_rows(b[0].buf, b[1].buf, n);
        PyEval_RestoreThread(state);
    }
    for (int k = 0; k < 3; k++)
        PyBuffer_Release(b + k);
    if (!good) {
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
        return NULL;
    }
    Py_RETURN_NONE;
}

PyDoc_STRVAR(lanes_doc, "lanes()\n\nReturn how many lanes this processor takes at a time; 0 "
"where it can't do it at all.");

static PyObject *lanes(PyObject *module, PyObject *args)
{
    (void)module, (void)args;
    return PyLong_FromLong(most_lanes());
}

static PyMethodDef methods[] = {{"convolve", convolve, METH_VARARGS, convolve_doc},
                                {"squares", squares, METH_VARARGS, squares_doc},
                                {"lay", lay, METH_VARARGS, lay_doc},
                                {"lanes", lanes, METH_NOARGS, lanes_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_convolve", "Convolutions.",
                                    -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__convolve(void) { return PyModule_Create(&module); }
