/* What lies around pixels beside the ink's edge: what `edges.py` gathers in numpy, a pixel at a
   time. Whole numbers alone, so both give the same. The package works without this module. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>

#define KINDS 8
#define BLOCK 64

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
    for (int64_t first = 0; done && first < task->count; first += BLOCK) {
        int64_t last = first + BLOCK < task->count ? first + BLOCK : task->count;
        for (int64_t cell = 0; cell < task->cells; cell++) {
            uint8_t *row = task->seen + cell * task->count;
            for (int64_t k = first; k < last; k++)
                row[k] = task->codes[middle[k] + task->steps[kind[task->order[k]] * task->cells + cell]];
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

static PyMethodDef methods[] = {{"gather", gather, METH_VARARGS, gather_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_edges", "What lies around pixels.",
                                    -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__edges(void) { return PyModule_Create(&module); }
