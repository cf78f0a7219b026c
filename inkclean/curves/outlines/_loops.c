/* Loops of the ink's edge: what `edges.py`, `linking.py` and `profiles.py` do in numpy, a crossing
   at a time. The same to the bit: every value is rounded to single precision where numpy does. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define MOST 8

/* The arguments' arrays, released together. */
typedef struct {
    Py_buffer b[MOST];
    int count;
} Arrays;

static void release(Arrays *arrays)
{
    for (int k = 0; k < arrays->count; k++)
        PyBuffer_Release(&arrays->b[k]);
}

static PyObject *ended(Arrays *arrays, int good, int done)
{
    release(arrays);
    if (!good) {
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
        return NULL;
    }
    if (!done)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

/* Whether all that lies about `first` (N,) by so much is in the plane. */
static int within(const int64_t *first, int64_t count, int64_t before, int64_t after, int64_t size)
{
    for (int64_t k = 0; k < count; k++)
        if (first[k] < before || first[k] >= size - after)
            return 0;
    return 1;
}

/* --- where rows and columns are crossed */

static int64_t differing(const uint8_t *one, const uint8_t *other, int64_t count, int64_t begin,
                         int64_t *found)
{
    int64_t n = 0, k = 0;
    for (; k + 8 <= count; k += 8) {
        uint64_t a, b;
        memcpy(&a, one + k, 8), memcpy(&b, other + k, 8);
        if (a == b)
            continue;
        for (int64_t at = k; at < k + 8; at++)
            if (one[at] != other[at])
                found[n++] = begin + at;
    }
    for (; k < count; k++)
        if (one[k] != other[k])
            found[n++] = begin + k;
    return n;
}

PyDoc_STRVAR(differ_doc,
"differ(one, other, found)\n\nPut the places at which `one` and `other` (N,) bool differ into "
"`found` int64; return how many there are, no more than `found` holds.");

static PyObject *differ(PyObject *module, PyObject *args)
{
    Arrays a = {.count = 3};
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*w*", a.b, a.b + 1, a.b + 2))
        return NULL;
    int64_t count = a.b[0].len, room = a.b[2].len / 8, n = 0, begin = 0;
    int good = a.b[1].len == count;
    Py_BEGIN_ALLOW_THREADS
    /* a part at a time, so that none can run over */
    for (; good && begin < count; begin += 4096) {
        int64_t some = count - begin < 4096 ? count - begin : 4096;
        if (room - n < some)
            break;
        n += differing((uint8_t *)a.b[0].buf + begin, (uint8_t *)a.b[1].buf + begin, some, begin,
                       (int64_t *)a.b[2].buf + n);
    }
    Py_END_ALLOW_THREADS
    int whole = begin >= count;
    release(&a);
    if (!good) {
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
        return NULL;
    }
    return PyLong_FromLongLong(whole ? n : -1);
}

/* --- where each crossing's loop goes on */

typedef struct {
    const float *flat;
    const int64_t *rows, *columns;
    int64_t *first_row, *first_column; /* where the crossings of each row of pixels begin */
    int64_t of_rows, of_columns, width, size;
} Plane;

static void begins(const int64_t *crossing, int64_t count, int64_t width, int64_t high, int64_t *to)
{
    int64_t k = 0;
    for (int64_t y = 0; y <= high; y++) {
        while (k < count && crossing[k] < y * width)
            k++;
        to[y] = k;
    }
}

static int64_t place_of(const int64_t *crossing, const int64_t *begin, int64_t width, int64_t at)
{
    int64_t low = begin[at / width], high = begin[at / width + 1];
    while (low < high) {
        int64_t middle = (low + high) / 2;
        if (crossing[middle] < at)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

static int saddle_is_ink(float a, float b, float c, float d)
{
    float bend = a + d - b - c;
    float value = fabsf(bend) < 1e-6f ? (a + b + c + d) / 4.0f : (a * d - b * c) / bend;
    return value > 0.5f;
}

static int64_t successor_of(const Plane *p, int64_t number)
{
    const int64_t w = p->width, right_of[4] = {w + 1, w, 0, 1}, left_of[4] = {1, w + 1, w, 0};
    const float *flat = p->flat;
    int on_row = number < p->of_rows;
    int64_t cell = on_row ? p->rows[number] : p->columns[number - p->of_rows];
    int ink = flat[cell] > 0.5f;
    int heading = on_row ? (ink ? 1 : 3) : (ink ? 2 : 0);
    cell -= on_row ? (ink ? 0 : w) : ink;
    int right = flat[cell + right_of[heading]] > 0.5f, left = flat[cell + left_of[heading]] > 0.5f;
    int joined = left && !right &&
                 saddle_is_ink(flat[cell], flat[cell + 1], flat[cell + w], flat[cell + w + 1]);
    heading = (heading + (left && (right || joined) ? 3 : right && !left ? 0 : 1)) & 3;
    if (heading & 1)
        return place_of(p->rows, p->first_row, w, cell + (heading == 1 ? w : 0));
    return p->of_rows + place_of(p->columns, p->first_column, w, cell + (heading == 0 ? 1 : 0));
}

PyDoc_STRVAR(succeed_doc,
"succeed(flat, rows, columns, successor, width)\n\nPut where each crossing's loop goes on into "
"`successor` (N,) int32: `edges.successors_by_numpy`. The plane's rim is paper.");

static PyObject *succeed(PyObject *module, PyObject *args)
{
    Arrays a = {.count = 4};
    long long width;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*y*w*L", a.b, a.b + 1, a.b + 2, a.b + 3, &width))
        return NULL;
    Plane p = {.flat = a.b[0].buf, .rows = a.b[1].buf, .columns = a.b[2].buf, .width = width};
    p.size = a.b[0].len / 4, p.of_rows = a.b[1].len / 8, p.of_columns = a.b[2].len / 8;
    int32_t *successor = a.b[3].buf;
    int64_t count = p.of_rows + p.of_columns;
    int done = 0, good = width > 0 && p.size % width == 0 && a.b[3].len == 4 * count;
    Py_BEGIN_ALLOW_THREADS
    good = good && within(p.rows, p.of_rows, width, 2 * width + 1, p.size) &&
           within(p.columns, p.of_columns, width, 2 * width + 1, p.size);
    int64_t high = good ? p.size / width : 0;
    p.first_row = malloc((size_t)(high + 2) * 2 * sizeof(int64_t));
    if (good && p.first_row) {
        p.first_column = p.first_row + high + 2;
        begins(p.rows, p.of_rows, width, high, p.first_row);
        begins(p.columns, p.of_columns, width, high, p.first_column);
        for (int64_t k = 0; k < count; k++)
            successor[k] = (int32_t)successor_of(&p, k);
        done = 1;
    }
    free(p.first_row);
    Py_END_ALLOW_THREADS
    return ended(&a, good, done);
}

/* --- loops put in order */

/* Walk every loop that has no head yet and holds one of the vertices picked: its lowest of these
   is its head. Returns 0 where the successors are no loops. */
static int walk(const int32_t *successor, int64_t count, int every, int32_t *head, int32_t *rank,
                int64_t *lengths)
{
    for (int64_t v = 0; v < count; v++) {
        if (head[v] >= 0 || (every > 1 && (v * 2654435761LL >> 8) % every))
            continue;
        int64_t length = 0, at = v;
        do {
            if (at < 0 || at >= count || head[at] >= 0)
                return 0;
            head[at] = (int32_t)v;
            rank[at] = (int32_t)length++;
            at = successor[at];
        } while (at != v);
        lengths[v] = length;
    }
    return 1;
}

PyDoc_STRVAR(link_doc,
"link(successor, order, starts)\n\nPut the vertices of all loops into `order` (N,) int64, one loop "
"after another, and where each begins into `starts` (N,) int64; return how many loops there are: "
"`linking.link_by_numpy`.");

static PyObject *link_all(PyObject *module, PyObject *args)
{
    Arrays a = {.count = 3};
    (void)module;
    if (!PyArg_ParseTuple(args, "y*w*w*", a.b, a.b + 1, a.b + 2))
        return NULL;
    const int32_t *successor = a.b[0].buf;
    int64_t *order = a.b[1].buf, *starts = a.b[2].buf, count = a.b[0].len / 4, loops = 0;
    int good = a.b[1].len == 8 * count && a.b[2].len == 8 * count && count < INT32_MAX, done = 0;
    Py_BEGIN_ALLOW_THREADS
    int32_t *head = malloc((size_t)(count + 1) * sizeof(int32_t));
    int32_t *rank = malloc((size_t)(count + 1) * sizeof(int32_t));
    int64_t *begin = calloc((size_t)(count + 1), sizeof(int64_t));
    if (good && head && rank && begin) {
        memset(head, -1, (size_t)count * sizeof(int32_t));
        for (int every = 32; good && every > 0; every = every > 2 ? every / 4 : every - 1)
            good = walk(successor, count, every, head, rank, begin);
        for (int64_t v = 0, so_far = 0; good && v < count; v++) {
            int64_t length = begin[v];
            begin[v] = so_far;
            if (length)
                starts[loops++] = so_far;
            so_far += length;
        }
        for (int64_t v = 0; good && v < count; v++)
            order[begin[head[v]] + rank[v]] = v;
        done = 1;
    }
    free(head), free(rank), free(begin);
    Py_END_ALLOW_THREADS
    PyObject *ok = ended(&a, good, done);
    if (!ok)
        return NULL;
    Py_DECREF(ok);
    return PyLong_FromLongLong(loops);
}

/* --- how far corners are */

PyDoc_STRVAR(free_doc,
"free(corner, loops, free, most)\n\nPut how many points lie between each and the nearest `corner` "
"(N,) bool of its loop into `free` (N,) int64, no more than `most` and a quarter of the loop: "
"`settle.free_by_numpy`. `loops` are (L + 1,) int64 offsets.");

static PyObject *free_of(PyObject *module, PyObject *args)
{
    Arrays a = {.count = 3};
    long long most;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*w*L", a.b, a.b + 1, a.b + 2, &most))
        return NULL;
    const char *corner = a.b[0].buf;
    const int64_t *loops = a.b[1].buf;
    int64_t *to = a.b[2].buf, count = a.b[0].len, many = a.b[1].len / 8 - 1;
    int good = many >= 0 && loops[0] == 0 && loops[many] == count && a.b[2].len == 8 * count;
    for (int64_t k = 0; good && k < many; k++)
        good = loops[k] <= loops[k + 1] && loops[k + 1] <= count;
    Py_BEGIN_ALLOW_THREADS
    for (int64_t k = 0; good && k < many; k++) {
        int64_t begin = loops[k], end = loops[k + 1], length = end - begin;
        int64_t limit = (length - 1) / 4 < most ? (length - 1) / 4 : most;
        for (int64_t n = begin; n < end; n++)
            to[n] = limit;
        for (int64_t n = begin; n < end; n++)
            for (int64_t away = 0; corner[n] && away < limit; away++) {
                int64_t ahead = n + away < end ? n + away : n + away - length;
                int64_t back = n - away < begin ? n - away + length : n - away;
                to[ahead] = to[ahead] < away ? to[ahead] : away;
                to[back] = to[back] < away ? to[back] : away;
            }
    }
    Py_END_ALLOW_THREADS
    return ended(&a, good, 1);
}

/* --- how edges lie, and where */

PyDoc_STRVAR(lie_doc,
"lie(flat, first, facing, astride, slant, step, across)\n\nPut how the edge lies between each pixel "
"`first` (N,) int64 and the next into the three (N,) float32: `profiles._lie`.");

static PyObject *lie(PyObject *module, PyObject *args)
{
    Arrays a = {.count = 5};
    long long step, across;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*w*w*w*LL", a.b, a.b + 1, a.b + 2, a.b + 3, a.b + 4, &step,
                          &across))
        return NULL;
    const float *flat = a.b[0].buf;
    const int64_t *first = a.b[1].buf;
    float *facing = a.b[2].buf, *astride = a.b[3].buf, *slant = a.b[4].buf;
    int64_t count = a.b[1].len / 8, far = step + across;
    int good = step > 0 && across > 0;
    for (int k = 2; k < 5; k++)
        good = good && a.b[k].len == 4 * count;
    Py_BEGIN_ALLOW_THREADS
    good = good && within(first, count, step + across, 2 * step + far, a.b[0].len / 4);
    for (int64_t k = 0; good && k < count; k++) {
        const float *at = flat + first[k], *base = *at > 0.5f ? at : at + step;
        int64_t inward = *at > 0.5f ? -step : step;
        float stride = base[0] - base[-inward], beyond = base[inward] - base[-2 * inward];
        float other = at[across] - at[-across];
        other += at[step + across] - at[step - across];
        float most = stride + beyond > 2.0f * stride ? stride + beyond : 2.0f * stride;
        float lean = fabsf(other) / (most > 1e-6f ? most : 1e-6f);
        slant[k] = lean;
        astride[k] = stride;
        facing[k] = 1.0f / sqrtf(1.0f + lean * lean);
    }
    Py_END_ALLOW_THREADS
    return ended(&a, good, 1);
}

PyDoc_STRVAR(level_doc,
"level(flat, first, place, step, cubic, rounds)\n\nPut the px from each pixel `first` (N,) int64 to "
"where the cubic through the profile is 0.5 into `place` (N,) float32: `profiles._level`.");

static PyObject *level(PyObject *module, PyObject *args)
{
    Arrays a = {.count = 3};
    long long step;
    float cubic;
    int rounds;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*w*Lfi", a.b, a.b + 1, a.b + 2, &step, &cubic, &rounds))
        return NULL;
    const float *flat = a.b[0].buf;
    const int64_t *first = a.b[1].buf;
    float *place = a.b[2].buf;
    int64_t count = a.b[1].len / 8;
    int good = step > 0 && a.b[2].len == 4 * count;
    Py_BEGIN_ALLOW_THREADS
    good = good && within(first, count, step, 2 * step, a.b[0].len / 4);
    for (int64_t k = 0; good && k < count; k++) {
        const float *at = flat + first[k];
        float before = at[-step] - 0.5f, near = at[0] - 0.5f;
        float far = at[step] - 0.5f, after = at[2 * step] - 0.5f;
        float rise = far - near;
        float start = (far - before) * cubic, end = (after - near) * cubic;
        float square = 3.0f * rise - 2.0f * start - end, cube = start + end - 2.0f * rise;
        float where = -near / rise;
        for (int round = 0; round < rounds; round++) {
            float value = ((cube * where + square) * where + start) * where + near;
            float slope = (3.0f * cube * where + 2.0f * square) * where + start;
            slope = slope * rise > 0.3f * rise * rise ? slope : rise;
            where -= value / slope;
            where = where < 0.0f ? 0.0f : where > 1.0f ? 1.0f : where;
        }
        place[k] = where;
    }
    Py_END_ALLOW_THREADS
    return ended(&a, good, 1);
}

static PyMethodDef methods[] = {{"differ", differ, METH_VARARGS, differ_doc},
                                {"succeed", succeed, METH_VARARGS, succeed_doc},
                                {"link", link_all, METH_VARARGS, link_doc},
                                {"free", free_of, METH_VARARGS, free_doc},
                                {"lie", lie, METH_VARARGS, lie_doc},
                                {"level", level, METH_VARARGS, level_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {
    PyModuleDef_HEAD_INIT, "_loops", "Loops of the ink's edge.", -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__loops(void) { return PyModule_Create(&module); }
