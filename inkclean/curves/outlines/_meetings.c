/* Pieces of outline that may cross: what `tips.py` does in numpy, a square of the grid at a time.

   It only finds the pairs whose boxes meet; which of these cross is told in numpy. The package
   works without this module, only slower. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>

typedef struct {
    double left, top, right, bottom;
} Box;

typedef struct {
    const double *points, *reach;
    const int64_t *following;
    const char *side, *among;
    int64_t pieces;
    double per_px;
} Task;

typedef struct {
    int32_t left, top, right, bottom;
} Squares;

typedef struct {
    int64_t *pairs;
    int64_t count, room;
} Found;

/* The squares that each piece touches, and those of the grid that any of `side` touches. */
typedef struct {
    Squares *squares;
    char *asked;
    int32_t wide, tall;
} Grid;

/* Things sorted into places: those of place k are held[begin[k]] up to held[begin[k + 1]]. */
typedef struct {
    int64_t *begin;
    int32_t *held;
    int64_t room;
} Sorted;

static Box box_of(const Task *task, int64_t piece)
{
    const double *from = task->points + 2 * piece;
    const double *to = task->points + 2 * task->following[piece];
    double more = task->reach ? task->reach[piece] : 0.0;
    Box box = {(from[0] < to[0] ? from[0] : to[0]) - more, (from[1] < to[1] ? from[1] : to[1]) - more,
               (from[0] > to[0] ? from[0] : to[0]) + more, (from[1] > to[1] ? from[1] : to[1]) + more};
    return box;
}

/* The whole number below, without a call of the C library. */
static inline int32_t whole(double value)
{
    int32_t near = (int32_t)value;
    return near - (value < near);
}

static Squares squares_of(const Task *task, Box box)
{
    Squares squares = {whole(box.left * task->per_px), whole(box.top * task->per_px),
                       whole(box.right * task->per_px), whole(box.bottom * task->per_px)};
    return squares;
}

static int add(Found *found, int64_t one, int64_t two)
{
    if (found->count == found->room) {
        int64_t room = found->room ? 2 * found->room : 4096;
        int64_t *pairs = realloc(found->pairs, (size_t)room * 2 * sizeof(int64_t));
        if (!pairs)
            return 0;
        found->pairs = pairs, found->room = room;
    }
    found->pairs[2 * found->count] = one;
    found->pairs[2 * found->count++ + 1] = two;
    return 1;
}

/* Two pieces in a square: kept if their boxes meet, they share no end, and no square before this
   one holds both. */
static int look(const Task *task, const Grid *grid, int64_t one, int64_t two, int32_t column,
                int32_t row, Found *found)
{
    if (!task->side[one] && !task->side[two])
        return 1;
    Squares a = grid->squares[one], b = grid->squares[two];
    if (column != (a.left > b.left ? a.left : b.left) || row != (a.top > b.top ? a.top : b.top))
        return 1;
    if (task->following[one] == two || task->following[two] == one)
        return 1;
    Box p = box_of(task, one), q = box_of(task, two);
    if (p.right < q.left || q.right < p.left || p.bottom < q.top || q.bottom < p.top)
        return 1;
    return add(found, one, two);
}

/* Counts at begin[k + 1] become the ends of their places, less what is to be filled in. */
static int make_room(Sorted *sorted, int32_t places)
{
    int64_t total = 0;
    for (int32_t k = 0; k <= places; k++) {
        int64_t own = sorted->begin[k];
        sorted->begin[k] = total;
        total += own;
    }
    if (total <= sorted->room)
        return 1;
    free(sorted->held);
    sorted->room = total + total / 2;
    sorted->held = malloc((size_t)sorted->room * sizeof(int32_t));
    return sorted->held != NULL;
}

/* Whether a piece touches a square of a row that is asked for. */
static int touches(const Grid *grid, const Squares *s, int32_t row)
{
    const char *asked = grid->asked + (int64_t)row * grid->wide;
    for (int32_t column = s->left; column <= s->right; column++)
        if (asked[column])
            return 1;
    return 0;
}

/* The pieces of each row of squares that touch one asked for; afterwards begin[k] is where row k
   ends. */
static int by_rows(const Task *task, const Grid *grid, Sorted *rows)
{
    for (int fill = 0; fill < 2; fill++) {
        for (int64_t k = 0; k < task->pieces; k++) {
            const Squares *s = grid->squares + k;
            for (int32_t row = s->top; task->among[k] && row <= s->bottom; row++)
                if (touches(grid, s, row)) {
                    if (fill)
                        rows->held[rows->begin[row]] = (int32_t)k;
                    rows->begin[row]++;
                }
        }
        if (!fill && !make_room(rows, grid->tall))
            return 0;
    }
    return 1;
}

/* The same of each square of a row that is asked for. */
static int by_columns(const Grid *grid, const int32_t *some, int64_t count, int32_t row,
                      Sorted *columns)
{
    const char *asked = grid->asked + (int64_t)row * grid->wide;
    for (int32_t k = 0; k <= grid->wide; k++)
        columns->begin[k] = 0;
    for (int64_t k = 0; k < count; k++)
        for (int32_t at = grid->squares[some[k]].left; at <= grid->squares[some[k]].right; at++)
            columns->begin[at] += asked[at];
    if (!make_room(columns, grid->wide))
        return 0;
    for (int64_t k = 0; k < count; k++)
        for (int32_t at = grid->squares[some[k]].left; at <= grid->squares[some[k]].right; at++)
            if (asked[at])
                columns->held[columns->begin[at]++] = some[k];
    return 1;
}

static int meet_in(const Task *task, Grid *grid, Sorted *rows, Sorted *columns, Found *found)
{
    int32_t left = INT32_MAX, top = INT32_MAX, right = INT32_MIN, bottom = INT32_MIN;
    for (int64_t k = 0; k < task->pieces; k++) {
        Squares s = grid->squares[k] = squares_of(task, box_of(task, k));
        left = s.left < left ? s.left : left;
        top = s.top < top ? s.top : top;
        right = s.right > right ? s.right : right;
        bottom = s.bottom > bottom ? s.bottom : bottom;
    }
    grid->wide = right - left + 1, grid->tall = bottom - top + 1;
    grid->asked = calloc((size_t)grid->tall, (size_t)grid->wide);
    rows->begin = calloc((size_t)grid->tall + 1, sizeof(int64_t));
    columns->begin = calloc((size_t)grid->wide + 1, sizeof(int64_t));
    if (!grid->asked || !rows->begin || !columns->begin)
        return 0;
    for (int64_t k = 0; k < task->pieces; k++) {
        Squares *s = grid->squares + k;
        s->left -= left, s->right -= left, s->top -= top, s->bottom -= top;
        for (int32_t row = s->top; task->side[k] && row <= s->bottom; row++)
            for (int32_t column = s->left; column <= s->right; column++)
                grid->asked[(int64_t)row * grid->wide + column] = 1;
    }
    if (!by_rows(task, grid, rows))
        return 0;
    for (int32_t row = 0; row < grid->tall; row++) {
        int64_t start = row ? rows->begin[row - 1] : 0;
        if (!by_columns(grid, rows->held + start, rows->begin[row] - start, row, columns))
            return 0;
        for (int32_t column = 0; column < grid->wide; column++)
            for (int64_t i = column ? columns->begin[column - 1] : 0; i < columns->begin[column]; i++)
                for (int64_t j = i + 1; j < columns->begin[column]; j++)
                    if (!look(task, grid, columns->held[i], columns->held[j], column, row, found))
                        return 0;
    }
    return 1;
}

static int sound(const Task *task, const Py_buffer *b)
{
    int64_t n = task->pieces;
    if (n >= INT32_MAX || b[0].len != 16 * n || b[2].len != n || b[3].len != n ||
        (b[4].len && b[4].len != 8 * n))
        return 0;
    for (int64_t k = 0; k < n; k++) {
        double x = task->points[2 * k], y = task->points[2 * k + 1];
        double more = task->reach ? task->reach[k] : 0.0;
        if (task->following[k] < 0 || task->following[k] >= n || !(fabs(x) < 1e6) ||
            !(fabs(y) < 1e6) || !(more >= 0.0 && more < 1e6))
            return 0;
    }
    return 1;
}

PyDoc_STRVAR(meeting_doc,
"meeting(points, following, side, among, reach, per_px)\n\nReturn the pairs of pieces, one of "
"them of `side`, the others `among` some, whose boxes meet, each pair once: int64, two after "
"two, as bytes. Pieces as in `tips.EdgePieces`; `side` and `among` (N,) bool, `among` all of "
"`side` too; `reach` (N,) float64 px about each, or empty; squares are 1 / `per_px` px wide.");

static PyObject *meeting(PyObject *module, PyObject *args)
{
    Py_buffer b[5];
    Task task;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*y*y*y*d", b, b + 1, b + 2, b + 3, b + 4, &task.per_px))
        return NULL;
    task.points = b[0].buf, task.following = b[1].buf;
    task.side = b[2].buf, task.among = b[3].buf;
    task.reach = b[4].len ? b[4].buf : NULL;
    task.pieces = b[1].len / (Py_ssize_t)sizeof(int64_t);
    int good = sound(&task, b), done = 0;
    Found found = {NULL, 0, 0};
    if (good) {
        PyThreadState *state = PyEval_SaveThread();
        Grid grid = {malloc((size_t)(task.pieces + 1) * sizeof(Squares)), NULL, 0, 0};
        Sorted rows = {NULL, NULL, 0}, columns = {NULL, NULL, 0};
        done = grid.squares && (!task.pieces || meet_in(&task, &grid, &rows, &columns, &found));
        free(grid.squares), free(grid.asked);
        free(rows.begin), free(rows.held), free(columns.begin), free(columns.held);
        PyEval_RestoreThread(state);
    }
    for (int k = 0; k < 5; k++)
        PyBuffer_Release(b + k);
    PyObject *pairs = NULL;
    if (!good)
        PyErr_SetString(PyExc_ValueError, "pieces or arrays do not fit each other");
    else if (!done)
        PyErr_NoMemory();
    else
        pairs = PyBytes_FromStringAndSize((char *)found.pairs, (Py_ssize_t)(16 * found.count));
    free(found.pairs);
    return pairs;
}

static PyMethodDef methods[] = {{"meeting", meeting, METH_VARARGS, meeting_doc},
                                {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_meetings", "Pieces that may cross.",
                                    -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__meetings(void) { return PyModule_Create(&module); }
