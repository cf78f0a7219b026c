/* Pieces of a mask by the runs of its rows: what `pieces.py` does by OpenCV, the same numbers.
   Masks are bytes of 0 and 1, row by row. The package works without this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* Pixels of a row side by side, from `begin` up to `end`. */
typedef struct {
    int32_t begin, end, parent;
} Run;

typedef struct {
    Run *runs;
    int64_t *first; /* of each row, and one past the last */
    int64_t count, room, high, wide;
} Runs;

typedef struct {
    int32_t left, top, wide, high, size;
} Piece;

static int32_t root_of(Run *runs, int32_t run)
{
    while (runs[run].parent != run)
        run = runs[run].parent = runs[runs[run].parent].parent;
    return run;
}

static void join(Run *runs, int32_t one, int32_t two)
{
    one = root_of(runs, one), two = root_of(runs, two);
    if (one < two)
        runs[two].parent = one;
    else
        runs[one].parent = two;
}

static int add(Runs *all, const char *row, const char *from, const char *to)
{
    if (all->count == all->room) {
        all->room = all->room ? 2 * all->room : 4096;
        Run *runs = realloc(all->runs, (size_t)all->room * sizeof(Run));
        if (!runs)
            return 0;
        all->runs = runs;
    }
    Run run = {(int32_t)(from - row), (int32_t)(to - row), (int32_t)all->count};
    all->runs[all->count++] = run;
    return 1;
}

static const char *next(const char *at, const char *end, int value)
{
    /* most runs are short */
    for (int k = 0; k < 8 && at < end; k++, at++)
        if (*at == value)
            return at;
    const char *found = at < end ? memchr(at, value, (size_t)(end - at)) : NULL;
    return found ? found : end;
}

/* The runs of a mask, those that touch each other joined: `over` is 1 where corners count. */
static int find_runs(const char *mask, int over, Runs *all)
{
    for (int64_t row = 0; row < all->high; row++) {
        const char *from = mask + row * all->wide, *end = from + all->wide, *at = from;
        int64_t own = all->count, other = row ? all->first[row - 1] : 0;
        all->first[row] = own;
        while ((at = next(at, end, 1)) < end) {
            const char *stop = next(at, end, 0);
            if (!add(all, from, at, stop))
                return 0;
            at = stop;
        }
        for (int64_t k = own; k < all->count; k++) {
            const Run *run = all->runs + k;
            while (other < own && all->runs[other].end + over <= run->begin)
                other++;
            for (int64_t n = other; n < own && all->runs[n].begin < run->end + over; n++)
                join(all->runs, (int32_t)n, (int32_t)k);
        }
    }
    all->first[all->high] = all->count;
    return 1;
}

static int32_t named(Runs *all, int64_t run, int32_t *number, int32_t count)
{
    int32_t root = root_of(all->runs, (int32_t)run);
    if (number[root])
        return count;
    number[root] = count;
    return count + 1;
}

/* Numbers the pieces as they are met: pixel by pixel, or, where corners count, by squares of two
   by two, in which all is one piece. Returns one more than there are. */
static int32_t number_all(Runs *all, int over, int32_t *number)
{
    int32_t count = 1;
    for (int64_t row = 0; row < all->high; row += 1 + over) {
        int64_t one = all->first[row], end = all->first[row + 1], two = end, last = end;
        if (over && row + 2 <= all->high)
            last = all->first[row + 2];
        while (one < end || two < last) {
            if (two == last || (one < end && all->runs[one].begin >> 1 <= all->runs[two].begin >> 1))
                count = named(all, one++, number, count);
            else
                count = named(all, two++, number, count);
        }
    }
    return count;
}

static void widen(Piece *piece, int32_t row, int32_t begin, int32_t end)
{
    if (begin >= end)
        return;
    if (!piece->size)
        piece->left = begin, piece->wide = end, piece->top = row;
    piece->left = begin < piece->left ? begin : piece->left;
    piece->wide = end > piece->wide ? end : piece->wide;
    piece->high = row + 1;
    piece->size += end - begin;
}

/* Boxes and sizes of the pieces, and, if `label` is not NULL, their numbers at each pixel. */
static void tell(Runs *all, const int32_t *number, Piece *pieces, int32_t count, int32_t *label)
{
    for (int64_t row = 0; row < all->high; row++) {
        int32_t at = 0;
        int32_t *own = label ? label + row * all->wide : NULL;
        for (int64_t k = all->first[row]; k < all->first[row + 1]; k++) {
            const Run run = all->runs[k];
            int32_t name = number[root_of(all->runs, (int32_t)k)];
            widen(pieces, (int32_t)row, at, run.begin);
            widen(pieces + name, (int32_t)row, run.begin, run.end);
            if (own) {
                memset(own + at, 0, (size_t)(run.begin - at) * sizeof(int32_t));
                for (int32_t x = run.begin; x < run.end; x++)
                    own[x] = name;
            }
            at = run.end;
        }
        widen(pieces, (int32_t)row, at, (int32_t)all->wide);
        if (own)
            memset(own + at, 0, (size_t)(all->wide - at) * sizeof(int32_t));
    }
    for (int32_t k = 0; k < count; k++)
        pieces[k].wide -= pieces[k].left, pieces[k].high -= pieces[k].top;
}

/* Paints the pieces whose boxes are `least` or more px long and less than `most`, and that lie
   nowhere on `against`, if it is not NULL; `told` are as many as there are runs, all 0. Returns how
   many runs were painted. */
static int64_t paint(Runs *all, Piece *told, const char *against, double least, double most,
                     char *chosen)
{
    int64_t painted = 0;
    for (int64_t row = 0; row < all->high; row++)
        for (int64_t k = all->first[row]; k < all->first[row + 1]; k++) {
            Run *run = all->runs + k;
            Piece *own = told + (run->parent = root_of(all->runs, (int32_t)k));
            widen(own, (int32_t)row, run->begin, run->end);
            if (against && own->size >= 0 &&
                memchr(against + row * all->wide + run->begin, 1, (size_t)(run->end - run->begin)))
                own->size = INT32_MIN; /* whatever else it has */
        }
    for (int64_t row = 0; row < all->high; row++)
        for (int64_t k = all->first[row]; k < all->first[row + 1]; k++) {
            const Run *run = all->runs + k;
            const Piece *own = told + run->parent;
            int32_t across = own->wide - own->left, down = own->high - own->top;
            int32_t extent = across > down ? across : down;
            if (own->size < 0 || extent < least || !(extent < most))
                continue;
            memset(chosen + row * all->wide + run->begin, 1, (size_t)(run->end - run->begin));
            painted++;
        }
    return painted;
}

PyDoc_STRVAR(pieces_doc,
"pieces(mask, wide, over, label)\n\nPut the number of the piece at each pixel of `mask` (H, W), "
"1.., into `label` (H, W) int32, 0 elsewhere, unless it is empty. `over`: pieces hang together at "
"corners. Return left, top, width, height and size of 0 and of each piece as bytes of int32.");

static PyObject *pieces(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[2];
    long long wide;
    int over;
    if (!PyArg_ParseTuple(args, "y*Lpw*", b, &wide, &over, b + 1))
        return NULL;
    int good = wide > 0 && b[0].len % wide == 0 && b[0].len < INT32_MAX &&
               (!b[1].len || b[1].len == b[0].len * (int64_t)sizeof(int32_t));
    Runs all = {NULL, NULL, 0, 0, good ? b[0].len / wide : 0, wide};
    int32_t count = 0, *number = NULL;
    Piece *told = NULL;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        all.first = malloc((size_t)(all.high + 2) * sizeof(int64_t));
        if (all.first && find_runs(b[0].buf, over, &all))
            number = calloc((size_t)all.count + 1, sizeof(int32_t));
        if (number) {
            count = number_all(&all, over, number);
            told = calloc((size_t)count, sizeof(Piece));
        }
        if (told)
            tell(&all, number, told, count, b[1].len ? b[1].buf : NULL);
        PyEval_RestoreThread(state);
    }
    PyObject *made = NULL;
    if (!good)
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
    else if (!told)
        PyErr_NoMemory();
    else
        made = PyBytes_FromStringAndSize((const char *)told, (Py_ssize_t)count * sizeof(Piece));
    free(all.runs), free(all.first), free(number), free(told);
    PyBuffer_Release(b), PyBuffer_Release(b + 1);
    return made;
}

PyDoc_STRVAR(parts_doc,
"parts(mask, against, chosen, wide, least, most)\n\nPut 1 into `chosen` (H, W), which is 0, where "
"`mask` has pieces, joined at corners too, whose boxes are `least` or more px long and less than "
"`most`, and that lie nowhere on `against`, if it is not empty. Return 0 if there are none.");

static PyObject *parts(PyObject *module, PyObject *args)
{
    (void)module;
    Py_buffer b[3];
    long long wide;
    double least, most;
    if (!PyArg_ParseTuple(args, "y*y*w*Ldd", b, b + 1, b + 2, &wide, &least, &most))
        return NULL;
    int good = wide > 0 && b[0].len % wide == 0 && b[2].len == b[0].len && b[0].len < INT32_MAX &&
               (!b[1].len || b[1].len == b[0].len);
    Runs all = {NULL, NULL, 0, 0, good ? b[0].len / wide : 0, wide};
    int64_t painted = -1;
    Piece *told = NULL;
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        all.first = malloc((size_t)(all.high + 2) * sizeof(int64_t));
        if (all.first && find_runs(b[0].buf, 1, &all))
            told = calloc((size_t)all.count + 1, sizeof(Piece));
        if (told)
            painted = paint(&all, told, b[1].len ? b[1].buf : NULL, least, most, b[2].buf);
        PyEval_RestoreThread(state);
    }
    free(all.runs), free(all.first), free(told);
    for (int k = 0; k < 3; k++)
        PyBuffer_Release(b + k);
    if (!good)
        PyErr_SetString(PyExc_ValueError, "arrays do not fit each other");
    else if (painted < 0)
        PyErr_NoMemory();
    return painted < 0 ? NULL : PyLong_FromLongLong(painted);
}

static PyMethodDef methods[] = {{"pieces", pieces, METH_VARARGS, pieces_doc},
                                {"parts", parts, METH_VARARGS, parts_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {
    PyModuleDef_HEAD_INIT, "_pieces", "Pieces of masks.", -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__pieces(void) { return PyModule_Create(&module); }
