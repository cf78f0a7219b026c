/* Walls that fall: what `falling.py` does with tables of Python, a wall at a time.

   Every value is added up as there, so both give the same bits (compiled without fused multiply
   and add). The package works without this module, only slower. */

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <math.h>
#include <stdint.h>

#define ARRAYS 20

/* Each wall stands in the list of both its rooms: at 2k as one of its first, at 2k + 1 of its
   second. `head` (R,) begins a room's list, `next` and `back` (2E,) lead on and back, -1 ends. */
typedef struct {
    int64_t *head, *degree, *next, *back;
} Lists;

typedef struct {
    const int64_t *rows;
    const double *limit;
    double *wall, *odds, *gaps, *size, *inner, *outline;
    int64_t *a, *b, *ends, *openings, *patch, *parent, *whole, *paper;
    uint8_t *changed;
    Lists lists;
    int64_t count, walls, rooms, known;
    int drawn, shaded, open, lowest, widest;
} Task;

static void put_in(Lists *lists, int64_t room, int64_t at)
{
    int64_t first = lists->head[room];
    lists->next[at] = first, lists->back[at] = -1;
    if (first >= 0)
        lists->back[first] = at;
    lists->head[room] = at;
    lists->degree[room]++;
}

static void take_out(Lists *lists, int64_t room, int64_t at)
{
    int64_t next = lists->next[at], back = lists->back[at];
    if (back >= 0)
        lists->next[back] = next;
    else
        lists->head[room] = next;
    if (next >= 0)
        lists->back[next] = back;
    lists->degree[room]--;
}

static inline int64_t beyond(const Task *t, int64_t at) { return at & 1 ? t->a[at / 2] : t->b[at / 2]; }

/* The wall between two rooms; -1 where there is none. */
static int64_t between(const Task *t, int64_t one, int64_t other)
{
    if (t->lists.degree[one] > t->lists.degree[other]) {
        int64_t most = one;
        one = other, other = most;
    }
    for (int64_t at = t->lists.head[one]; at >= 0; at = t->lists.next[at])
        if (beyond(t, at) == other)
            return at / 2;
    return -1;
}

/* What is known of a wall and of another that goes on with it. */
static void add_up(Task *t, int64_t mine, int64_t theirs)
{
    double *one = t->wall + mine * t->known;
    const double *other = t->wall + theirs * t->known;
    if (other[t->widest] > one[t->widest])
        t->patch[mine] = t->patch[theirs];
    for (int64_t k = 0; k < t->known; k++) {
        if (k == t->lowest)
            one[k] = other[k] < one[k] ? other[k] : one[k];
        else if (k >= t->widest)
            one[k] = other[k] > one[k] ? other[k] : one[k];
        else
            one[k] += other[k];
    }
    if (t->ends[theirs] > t->ends[mine])
        t->ends[mine] = t->ends[theirs];
    t->gaps[mine] += t->gaps[theirs];
    t->openings[mine] += t->openings[theirs];
    t->odds[theirs] = NAN;
    t->odds[mine] = INFINITY; /* it does not fall before it is judged anew */
}

static void merge(Task *t, int64_t row)
{
    Lists *lists = &t->lists;
    int64_t a = t->a[row], b = t->b[row];
    take_out(lists, a, 2 * row), take_out(lists, b, 2 * row + 1);
    if (lists->degree[a] < lists->degree[b]) {
        int64_t most = b;
        b = a, a = most;
    }
    t->parent[b] = a;
    if (t->size[b] > t->size[a])
        t->paper[a] = t->paper[b];
    if (t->whole[b] > t->whole[a])
        t->whole[a] = t->whole[b];
    t->size[a] += t->size[b];
    if (t->inner[b] > t->inner[a])
        t->inner[a] = t->inner[b];
    const double *gone = t->wall + row * t->known;
    double inside[3] = {gone[t->drawn] + gone[t->open], gone[t->shaded], gone[t->open]};
    for (int k = 0; k < 3; k++)
        t->outline[3 * a + k] += t->outline[3 * b + k] - 2.0 * inside[k];
    t->odds[row] = NAN;
    while (lists->head[b] >= 0) {
        int64_t at = lists->head[b], theirs = at / 2, c = beyond(t, at);
        take_out(lists, b, at), take_out(lists, c, at ^ 1);
        int64_t mine = between(t, a, c);
        if (mine >= 0) {
            add_up(t, mine, theirs);
            continue;
        }
        t->a[theirs] = a, t->b[theirs] = c;
        put_in(lists, a, 2 * theirs), put_in(lists, c, 2 * theirs + 1);
    }
}

static int apart(const Task *t, int64_t row)
{
    int64_t one = t->whole[t->a[row]], other = t->whole[t->b[row]];
    return one > 0 && other > 0 && one != other;
}

static void fall_all(Task *t)
{
    for (int64_t k = 0; k < t->count; k++) {
        int64_t row = t->rows[k];
        if (t->odds[row] < t->limit[row] && !apart(t, row)) {
            merge(t, row);
            t->changed[row] = 1;
        }
    }
    /* a wall that fell leads to the room that its two became, or went on into */
    for (int64_t k = 0; k < t->count; k++) {
        int64_t row = t->rows[k], room = t->a[row];
        if (!t->changed[row] || !isnan(t->odds[row]))
            continue;
        while (t->parent[room] != room)
            room = t->parent[room];
        for (int64_t at = t->lists.head[room]; at >= 0; at = t->lists.next[at])
            t->changed[at / 2] = 1;
    }
    for (int64_t k = 0; k < t->count; k++)
        if (isnan(t->odds[t->rows[k]]))
            t->changed[t->rows[k]] = 0;
}

static int sound(const Task *t)
{
    for (int64_t k = 0; k < t->count; k++)
        if (t->rows[k] < 0 || t->rows[k] >= t->walls)
            return 0;
    for (int64_t k = 0; k < t->walls; k++)
        if (t->a[k] < 0 || t->a[k] >= t->rooms || t->b[k] < 0 || t->b[k] >= t->rooms)
            return 0;
    return t->drawn >= 0 && t->drawn < t->known && t->shaded >= 0 && t->shaded < t->known &&
           t->open >= 0 && t->open < t->known;
}

PyDoc_STRVAR(fall_doc,
"fall(rows, limit, wall, odds, gaps, size, inner, outline, a, b, ends, openings, patch, parent, "
"whole, paper, changed, head, degree, links, drawn, shaded, open, lowest, widest)\n\nLet the "
"walls `rows` fall one after another whose odds lie below the limit; mark in `changed` (E,) uint8, "
"empty before, those to be judged anew. See `falling.Merging`; `links` (2, 2E) are next and back.");

static PyObject *fall(PyObject *module, PyObject *args)
{
    Py_buffer b[ARRAYS];
    Task t;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*w*w*w*w*w*w*w*w*w*w*w*w*w*w*w*w*w*w*iiiii", b, b + 1, b + 2,
                          b + 3, b + 4, b + 5, b + 6, b + 7, b + 8, b + 9, b + 10, b + 11, b + 12,
                          b + 13, b + 14, b + 15, b + 16, b + 17, b + 18, b + 19, &t.drawn,
                          &t.shaded, &t.open, &t.lowest, &t.widest))
        return NULL;
    t.rows = b[0].buf, t.limit = b[1].buf, t.wall = b[2].buf, t.odds = b[3].buf;
    t.gaps = b[4].buf, t.size = b[5].buf, t.inner = b[6].buf, t.outline = b[7].buf;
    t.a = b[8].buf, t.b = b[9].buf, t.ends = b[10].buf, t.openings = b[11].buf;
    t.patch = b[12].buf, t.parent = b[13].buf, t.whole = b[14].buf, t.paper = b[15].buf;
    t.changed = b[16].buf, t.lists.head = b[17].buf, t.lists.degree = b[18].buf;
    t.count = b[0].len / 8, t.walls = b[3].len / 8, t.rooms = b[13].len / 8;
    t.known = t.walls ? b[2].len / 8 / t.walls : 0;
    t.lists.next = b[19].buf, t.lists.back = t.lists.next + 2 * t.walls;
    int64_t e = 8 * t.walls, r = 8 * t.rooms;
    int64_t sizes[ARRAYS] = {b[0].len, e, t.known * e, e, e, r, r, 3 * r, e, e,
                             e, e, e, r, r, r, t.walls, r, r, 4 * e};
    int good = 1;
    for (int k = 0; k < ARRAYS; k++)
        good &= b[k].len == sizes[k];
    good = good && (!t.walls || sound(&t));
    if (good)
        fall_all(&t);
    for (int k = 0; k < ARRAYS; k++)
        PyBuffer_Release(b + k);
    if (!good) {
        PyErr_SetString(PyExc_ValueError, "walls or arrays do not fit each other");
        return NULL;
    }
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {{"fall", fall, METH_VARARGS, fall_doc}, {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_falling", "Walls that fall.", -1,
                                    methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__falling(void) { return PyModule_Create(&module); }
