/* Faults of disk and clock for one process: an LD_PRELOAD library for tests (Linux, glibc, 64 bit).
 *
 * FAULT_SHIM_PREFIX   only files whose absolute path begins with this are touched (a run directory)
 * FAULT_SHIM_CONTROL  a file of CONTROL_BYTES that is mapped here and by the test (tests/faults/shim.py has its fields)
 * FAULT_SHIM_LOG      optional: every effect on these files is appended here, in order, for images of a crash
 *
 * Left alone: "-shm" files (SQLite maps them, and they mean nothing after a crash), reading, and the monotonic clock.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/time.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

#define CONTROL_BYTES 4096
#define PATH_BYTES 1024

enum op { OP_WRITE, OP_SYNC, OP_OPEN, OP_TRUNCATE, OP_UNLINK, OP_RENAME, OPS };
enum when { BEFORE, AFTER, TORN };

/* Shared with the test; every field has 8 bytes. */
struct control {
    _Atomic int64_t error[OPS];   /* errno that calls of a kind get; 0: none */
    _Atomic int64_t room;         /* bytes that may still be written before the disk is full; negative: no limit */
    _Atomic int64_t sync_delay_ms;
    _Atomic int64_t kill_at;      /* the process is killed at this many calls from now on; 0: never */
    _Atomic int64_t kill_ops;     /* of these kinds, one bit each */
    _Atomic int64_t kill_when;
    _Atomic int64_t clock_ms;     /* added to the wall clock */
    _Atomic int64_t seen[OPS];    /* calls that came by */
    _Atomic int64_t refused;      /* calls that got an error */
    _Atomic int64_t clock_reads;  /* of a shifted clock */
    char match[256];              /* errors and kills are for paths that end so (empty: all) */
};

struct record { int64_t op, offset, length, path_bytes; };

static struct control *control;
static char prefix[PATH_BYTES];
static size_t prefix_bytes;
static int log_fd = -1;
static pthread_mutex_t order = PTHREAD_MUTEX_INITIALIZER; /* of effects, so that the log tells them as they were */

#define REAL(type, name, ...) \
    static type (*real)(__VA_ARGS__); \
    if (!real) real = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

static int real_open(const char *path, int flags, mode_t mode) {
    REAL(int, "open64", const char *, int, ...);
    return real(path, flags, mode);
}

static ssize_t real_write(int fd, const void *data, size_t n) {
    REAL(ssize_t, "write", int, const void *, size_t);
    return real(fd, data, n);
}

static ssize_t real_pwrite(int fd, const void *data, size_t n, off64_t at) {
    REAL(ssize_t, "pwrite64", int, const void *, size_t, off64_t);
    return real(fd, data, n, at);
}

__attribute__((constructor)) static void begin(void) {
    const char *name = getenv("FAULT_SHIM_CONTROL"), *log = getenv("FAULT_SHIM_LOG");
    const char *where = getenv("FAULT_SHIM_PREFIX");
    if (!name || !where) return;
    int fd = real_open(name, O_RDWR | O_CLOEXEC, 0);
    if (fd < 0) { perror(name); _exit(99); }
    void *mapped = mmap(NULL, CONTROL_BYTES, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    close(fd);
    if (mapped == MAP_FAILED) { perror(name); _exit(99); }
    if (log) {
        log_fd = real_open(log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
        if (log_fd < 0) { perror(log); _exit(99); }
    }
    snprintf(prefix, sizeof prefix, "%s", where);
    prefix_bytes = strlen(prefix);
    control = mapped;
}

static int ends(const char *text, const char *end) {
    size_t a = strlen(text), b = strlen(end);
    return a >= b && !strcmp(text + a - b, end);
}

static int ours(const char *path) {
    return control && !strncmp(path, prefix, prefix_bytes) && !ends(path, "-shm");
}

/* The absolute path behind a descriptor; 0 if it is no file of ours. */
static int path_of(int fd, char *path) {
    char name[64];
    if (!control) return 0;
    snprintf(name, sizeof name, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(name, path, PATH_BYTES - 1);
    if (n <= 0) return 0;
    path[n] = 0;
    return ours(path);
}

static int absolute(const char *given, char *path) {
    if (!control || !given) return 0;
    if (given[0] == '/') {
        snprintf(path, PATH_BYTES, "%s", given);
    } else {
        char here[PATH_BYTES / 2];
        if (!getcwd(here, sizeof here)) return 0;
        snprintf(path, PATH_BYTES, "%s/%.500s", here, given);
    }
    return ours(path);
}

static void die(void) { kill(getpid(), SIGKILL); for (;;) pause(); }

/* Note a call. Returns the error it is to get, or 0; *dies is set if the process is to end at it. */
static int judged(enum op op, const char *path, int *dies) {
    *dies = 0;
    atomic_fetch_add(&control->seen[op], 1);
    if (control->match[0] && !ends(path, control->match)) return 0;
    if (atomic_load(&control->kill_ops) >> op & 1 && atomic_load(&control->kill_at) > 0)
        *dies = atomic_fetch_sub(&control->kill_at, 1) == 1;
    if (*dies && atomic_load(&control->kill_when) == BEFORE) die();
    int error = (int)atomic_load(&control->error[op]);
    if (error) atomic_fetch_add(&control->refused, 1);
    return error;
}

static void noted(enum op op, const char *path, int64_t offset, const void *data, int64_t n) {
    if (log_fd < 0) return;
    struct record head = {op, offset, n, (int64_t)strlen(path)};
    struct iovec parts[3] = {{&head, sizeof head}, {(void *)path, strlen(path)}, {(void *)data, data ? (size_t)n : 0}};
    REAL(ssize_t, "writev", int, const struct iovec *, int);
    if (real(log_fd, parts, 3) < 0) _exit(98);
}

#define REFUSE(error) do { errno = (error); return -1; } while (0)

/* A write at `at` (negative: at the descriptor's own position). */
static ssize_t wrote(int fd, const void *data, size_t n, off64_t at) {
    char path[PATH_BYTES];
    int dies;
    if (!path_of(fd, path)) return at < 0 ? real_write(fd, data, n) : real_pwrite(fd, data, n, at);
    int error = judged(OP_WRITE, path, &dies);
    if (error) REFUSE(error);
    int64_t room = atomic_load(&control->room);
    if (room >= 0 && (!control->match[0] || ends(path, control->match))) {
        if (room == 0 && n) { atomic_fetch_add(&control->refused, 1); REFUSE(ENOSPC); }
        if ((int64_t)n > room) n = (size_t)room;
        atomic_store(&control->room, room - (int64_t)n);
    }
    if (dies && atomic_load(&control->kill_when) == TORN) n /= 2;
    pthread_mutex_lock(&order);
    ssize_t done = at < 0 ? real_write(fd, data, n) : real_pwrite(fd, data, n, at);
    int kept = errno;
    if (done > 0) noted(OP_WRITE, path, at < 0 ? lseek(fd, 0, SEEK_CUR) - done : at, data, done);
    pthread_mutex_unlock(&order);
    if (dies) die();
    errno = kept;
    return done;
}

ssize_t write(int fd, const void *data, size_t n) { return wrote(fd, data, n, -1); }
ssize_t pwrite(int fd, const void *data, size_t n, off_t at) { return wrote(fd, data, n, at); }
ssize_t pwrite64(int fd, const void *data, size_t n, off64_t at) { return wrote(fd, data, n, at); }

/* In pieces: a caller must cope with a short count, and so sees one here wherever a piece fails. */
static ssize_t wrote_pieces(int fd, const struct iovec *parts, int count, off64_t at) {
    ssize_t sum = 0;
    for (int i = 0; i < count; i++) {
        ssize_t done = wrote(fd, parts[i].iov_base, parts[i].iov_len, at < 0 ? -1 : at + sum);
        if (done < 0) return sum ? sum : -1;
        sum += done;
        if ((size_t)done < parts[i].iov_len) break;
    }
    return sum;
}

ssize_t writev(int fd, const struct iovec *parts, int count) {
    char path[PATH_BYTES];
    if (path_of(fd, path)) return wrote_pieces(fd, parts, count, -1);
    REAL(ssize_t, "writev", int, const struct iovec *, int);
    return real(fd, parts, count);
}
ssize_t pwritev(int fd, const struct iovec *parts, int count, off_t at) { return wrote_pieces(fd, parts, count, at); }
ssize_t pwritev64(int fd, const struct iovec *p, int count, off64_t at) { return wrote_pieces(fd, p, count, at); }

static int synced(int fd, int (*real)(int)) {
    char path[PATH_BYTES];
    int dies;
    if (!path_of(fd, path)) return real(fd);
    int64_t delay_ms = atomic_load(&control->sync_delay_ms);
    if (delay_ms > 0) {
        struct timespec pause_for = {delay_ms / 1000, delay_ms % 1000 * 1000000};
        nanosleep(&pause_for, NULL);
    }
    int error = judged(OP_SYNC, path, &dies);
    if (error) REFUSE(error);
    pthread_mutex_lock(&order);
    int done = real(fd), kept = errno;
    if (done == 0) noted(OP_SYNC, path, 0, NULL, 0);
    pthread_mutex_unlock(&order);
    if (dies) die();
    errno = kept;
    return done;
}

int fsync(int fd) { REAL(int, "fsync", int); return synced(fd, real); }
int fdatasync(int fd) { REAL(int, "fdatasync", int); return synced(fd, real); }

static int truncated(int fd, off64_t length) {
    REAL(int, "ftruncate64", int, off64_t);
    char path[PATH_BYTES];
    int dies;
    if (!path_of(fd, path)) return real(fd, length);
    int error = judged(OP_TRUNCATE, path, &dies);
    if (error) REFUSE(error);
    pthread_mutex_lock(&order);
    int done = real(fd, length), kept = errno;
    if (done == 0) noted(OP_TRUNCATE, path, length, NULL, 0);
    pthread_mutex_unlock(&order);
    if (dies) die();
    errno = kept;
    return done;
}

int ftruncate(int fd, off_t length) { return truncated(fd, length); }
int ftruncate64(int fd, off64_t length) { return truncated(fd, length); }

static int opened(int folder, const char *given, int flags, mode_t mode) {
    REAL(int, "openat64", int, const char *, int, ...);
    char path[PATH_BYTES];
    int dies;
    int writes = (flags & O_ACCMODE) != O_RDONLY || flags & (O_CREAT | O_TRUNC);
    if (!writes || (folder != AT_FDCWD && given[0] != '/') || !absolute(given, path))
        return real(folder, given, flags, mode);
    int error = judged(OP_OPEN, path, &dies);
    if (error) REFUSE(error);
    struct stat about;
    pthread_mutex_lock(&order);
    int is_new = stat(path, &about) != 0;
    int fd = real(folder, given, flags, mode), kept = errno;
    if (fd >= 0 && is_new) noted(OP_OPEN, path, 0, NULL, 0);
    if (fd >= 0 && !is_new && flags & O_TRUNC) noted(OP_TRUNCATE, path, 0, NULL, 0);
    pthread_mutex_unlock(&order);
    if (dies) die();
    errno = kept;
    return fd;
}

#define MODE(flags, mode) \
    mode_t mode = 0; \
    if ((flags) & (O_CREAT | O_TMPFILE)) { va_list rest; va_start(rest, flags); mode = va_arg(rest, mode_t); va_end(rest); }

int open(const char *path, int flags, ...) { MODE(flags, mode) return opened(AT_FDCWD, path, flags, mode); }
int open64(const char *path, int flags, ...) { MODE(flags, mode) return opened(AT_FDCWD, path, flags, mode); }
int openat(int at, const char *path, int flags, ...) { MODE(flags, mode) return opened(at, path, flags, mode); }
int openat64(int at, const char *path, int flags, ...) { MODE(flags, mode) return opened(at, path, flags, mode); }

int unlink(const char *given) {
    REAL(int, "unlink", const char *);
    char path[PATH_BYTES];
    int dies;
    if (!absolute(given, path)) return real(given);
    int error = judged(OP_UNLINK, path, &dies);
    if (error) REFUSE(error);
    pthread_mutex_lock(&order);
    int done = real(given), kept = errno;
    if (done == 0) noted(OP_UNLINK, path, 0, NULL, 0);
    pthread_mutex_unlock(&order);
    if (dies) die();
    errno = kept;
    return done;
}

int rename(const char *from, const char *to) {
    REAL(int, "rename", const char *, const char *);
    char path[PATH_BYTES], target[PATH_BYTES];
    int dies;
    if (!absolute(from, path) || !absolute(to, target)) return real(from, to);
    int error = judged(OP_RENAME, target, &dies);
    if (error) REFUSE(error);
    pthread_mutex_lock(&order);
    int done = real(from, to), kept = errno;
    if (done == 0) noted(OP_RENAME, path, 0, target, (int64_t)strlen(target));
    pthread_mutex_unlock(&order);
    if (dies) die();
    errno = kept;
    return done;
}

/* The clock. */
int clock_gettime(clockid_t id, struct timespec *t) {
    REAL(int, "clock_gettime", clockid_t, struct timespec *);
    int done = real(id, t);
    if (!control || done || (id != CLOCK_REALTIME && id != CLOCK_REALTIME_COARSE)) return done;
    int64_t shift_ms = atomic_load(&control->clock_ms);
    if (!shift_ms) return done;
    atomic_fetch_add(&control->clock_reads, 1);
    int64_t ns = t->tv_nsec + shift_ms % 1000 * 1000000;
    t->tv_sec += shift_ms / 1000 + (ns < 0 ? -1 : ns >= 1000000000 ? 1 : 0);
    t->tv_nsec = ns < 0 ? ns + 1000000000 : ns >= 1000000000 ? ns - 1000000000 : ns;
    return done;
}

int gettimeofday(struct timeval *restrict t, void *restrict zone) {
    (void)zone;
    struct timespec now;
    int done = clock_gettime(CLOCK_REALTIME, &now);
    t->tv_sec = now.tv_sec;
    t->tv_usec = now.tv_nsec / 1000;
    return done;
}

time_t time(time_t *kept) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (kept) *kept = now.tv_sec;
    return now.tv_sec;
}
