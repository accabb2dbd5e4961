/* Stands between a daemon under test and its files, loaded by LD_PRELOAD.
 *
 * What it does is told by the environment; each part is off without its name:
 *
 *   SHIM_FILES   only files whose path holds this text are concerned
 *   SHIM_FAIL    KIND:N:ERRNO  the N-th call of a kind fails, once
 *                (kinds: write, sync, cut, open, drop)
 *   SHIM_STRUCK  a file that comes to be when that call was reached
 *   SHIM_FULL    while this file exists, no file may grow: ENOSPC
 *   SHIM_SLOW    each sync takes so many milliseconds more
 *   SHIM_RECORD  every write, sync, cut and drop of the files, and every byte
 *                that is said over a socket, in order, goes into this file
 *   SHIM_CLOCK   a file of eight bytes: civil time is shifted by so many
 *                seconds (a native 64-bit integer, read at each question)
 *
 * Record: one header a call (struct entry), then its bytes. Calls to the files
 * are held in one order by a lock, so the record is what the disk was asked.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

enum { WRITE = 1, SYNC = 2, CUT = 3, DROP = 4, SAID = 5, OPEN = 6 };

struct entry {
    uint32_t kind;
    uint32_t name; /* bytes of the path that follow */
    uint64_t at;   /* offset, or the new length */
    uint64_t size; /* bytes that follow the path */
};

static pthread_mutex_t turn = PTHREAD_MUTEX_INITIALIZER;
static const char *files, *full, *struck;
static int record = -1, slow_ms, fail_kind, fail_errno;
static long fail_at, counted;
static volatile int64_t *shift;

static ssize_t (*real_write)(int, const void *, size_t);
static ssize_t (*real_writev)(int, const struct iovec *, int);
static ssize_t (*real_send)(int, const void *, size_t, int);
static ssize_t (*real_pwrite)(int, const void *, size_t, off64_t);
static int (*real_fsync)(int);
static int (*real_cut)(int, off64_t);
static int (*real_unlink)(const char *);
static int (*real_open)(const char *, int, ...);
static int (*real_clock)(clockid_t, struct timespec *);

static int kind_of(const char *word) {
    static const struct { const char *word; int kind; } kinds[] = {
        {"write", WRITE}, {"sync", SYNC}, {"cut", CUT}, {"open", OPEN}, {"drop", DROP}};
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++)
        if (!strncmp(word, kinds[i].word, strlen(kinds[i].word))) return kinds[i].kind;
    return 0;
}

__attribute__((constructor)) static void begin(void) {
    real_write = dlsym(RTLD_NEXT, "write");
    real_writev = dlsym(RTLD_NEXT, "writev");
    real_send = dlsym(RTLD_NEXT, "send");
    real_pwrite = dlsym(RTLD_NEXT, "pwrite64");
    real_fsync = dlsym(RTLD_NEXT, "fsync");
    real_cut = dlsym(RTLD_NEXT, "ftruncate64");
    real_unlink = dlsym(RTLD_NEXT, "unlink");
    real_open = dlsym(RTLD_NEXT, "open64");
    real_clock = dlsym(RTLD_NEXT, "clock_gettime");
    files = getenv("SHIM_FILES");
    full = getenv("SHIM_FULL");
    struck = getenv("SHIM_STRUCK");
    const char *text = getenv("SHIM_SLOW");
    if (text) slow_ms = atoi(text);
    text = getenv("SHIM_FAIL");
    if (text) {
        fail_kind = kind_of(text);
        const char *rest = strchr(text, ':');
        if (rest) sscanf(rest, ":%ld:%d", &fail_at, &fail_errno);
    }
    text = getenv("SHIM_RECORD");
    if (text) record = syscall(SYS_openat, AT_FDCWD, text, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    text = getenv("SHIM_CLOCK");
    if (text) {
        int fd = syscall(SYS_openat, AT_FDCWD, text, O_RDONLY | O_CLOEXEC, 0);
        if (fd >= 0) {
            void *map = mmap(NULL, 8, PROT_READ, MAP_SHARED, fd, 0);
            if (map != MAP_FAILED) shift = map;
            close(fd);
        }
    }
}

/* The path behind a descriptor, if it is one of the files concerned. */
static int concerned(int fd, char *path, size_t room) {
    if (!files) return 0;
    char link[40];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t got = syscall(SYS_readlinkat, AT_FDCWD, link, path, room - 1);
    if (got <= 0) return 0;
    path[got] = 0;
    return strstr(path, files) != NULL;
}

/* Whether this call is the one that fails; sets errno. Under the lock. */
static int fails(int kind) {
    if (kind != fail_kind || ++counted != fail_at) return 0;
    if (struck) {
        int fd = syscall(SYS_openat, AT_FDCWD, struck, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
        if (fd >= 0) close(fd);
    }
    errno = fail_errno;
    return 1;
}

/* Whether the disk is full for bytes up to `end` of a file. */
static int is_full(int fd, off64_t end) {
    struct stat64 now;
    if (!full || syscall(SYS_faccessat, AT_FDCWD, full, F_OK)) return 0;
    if (fstat64(fd, &now) || end <= now.st_size) return 0;
    errno = ENOSPC;
    return 1;
}

static void note(uint32_t kind, const char *path, uint64_t at, const void *bytes, uint64_t size) {
    if (record < 0) return;
    struct entry entry = {kind, (uint32_t)strlen(path), at, size};
    struct iovec parts[3] = {{&entry, sizeof entry}, {(void *)path, entry.name}, {(void *)bytes, size}};
    int kept = errno;
    if (syscall(SYS_writev, record, parts, 3) < 0) abort();
    errno = kept;
}

static int is_socket(int fd) {
    struct stat64 what;
    return !fstat64(fd, &what) && S_ISSOCK(what.st_mode);
}

ssize_t pwrite64(int fd, const void *bytes, size_t size, off64_t at) {
    char path[4096];
    if (!concerned(fd, path, sizeof path)) return real_pwrite(fd, bytes, size, at);
    pthread_mutex_lock(&turn);
    ssize_t done = -1;
    if (!fails(WRITE) && !is_full(fd, at + (off64_t)size)) done = real_pwrite(fd, bytes, size, at);
    if (done > 0) note(WRITE, path, at, bytes, done);
    pthread_mutex_unlock(&turn);
    return done;
}

ssize_t write(int fd, const void *bytes, size_t size) {
    char path[4096];
    if (concerned(fd, path, sizeof path)) {
        pthread_mutex_lock(&turn);
        off64_t at = lseek64(fd, 0, SEEK_CUR);
        ssize_t done = -1;
        if (!fails(WRITE) && !is_full(fd, at + (off64_t)size)) done = real_write(fd, bytes, size);
        if (done > 0) note(WRITE, path, at, bytes, done);
        pthread_mutex_unlock(&turn);
        return done;
    }
    if (record >= 0 && is_socket(fd)) {
        pthread_mutex_lock(&turn);
        ssize_t done = real_write(fd, bytes, size);
        if (done > 0) note(SAID, "", 0, bytes, done);
        pthread_mutex_unlock(&turn);
        return done;
    }
    return real_write(fd, bytes, size);
}

ssize_t writev(int fd, const struct iovec *parts, int count) {
    if (record < 0 || !is_socket(fd)) return real_writev(fd, parts, count);
    pthread_mutex_lock(&turn);
    ssize_t done = real_writev(fd, parts, count), left = done;
    for (int i = 0; i < count && left > 0; i++) {
        size_t size = parts[i].iov_len < (size_t)left ? parts[i].iov_len : (size_t)left;
        note(SAID, "", 0, parts[i].iov_base, size);
        left -= size;
    }
    pthread_mutex_unlock(&turn);
    return done;
}

ssize_t send(int fd, const void *bytes, size_t size, int flags) {
    if (record < 0) return real_send(fd, bytes, size, flags);
    pthread_mutex_lock(&turn);
    ssize_t done = real_send(fd, bytes, size, flags);
    if (done > 0) note(SAID, "", 0, bytes, done);
    pthread_mutex_unlock(&turn);
    return done;
}

int fsync(int fd) {
    char path[4096];
    if (!concerned(fd, path, sizeof path)) return real_fsync(fd);
    if (slow_ms) usleep(slow_ms * 1000);
    pthread_mutex_lock(&turn);
    int done = fails(SYNC) ? -1 : real_fsync(fd);
    if (!done) note(SYNC, path, 0, "", 0);
    pthread_mutex_unlock(&turn);
    return done;
}

int fdatasync(int fd) { return fsync(fd); }

int ftruncate64(int fd, off64_t size) {
    char path[4096];
    if (!concerned(fd, path, sizeof path)) return real_cut(fd, size);
    pthread_mutex_lock(&turn);
    int done = fails(CUT) || is_full(fd, size) ? -1 : real_cut(fd, size);
    if (!done) note(CUT, path, size, "", 0);
    pthread_mutex_unlock(&turn);
    return done;
}

int unlink(const char *path) {
    if (!files || !strstr(path, files)) return real_unlink(path);
    pthread_mutex_lock(&turn);
    int done = fails(DROP) ? -1 : real_unlink(path);
    if (!done) note(DROP, path, 0, "", 0);
    pthread_mutex_unlock(&turn);
    return done;
}

int open64(const char *path, int flags, ...) {
    mode_t mode = 0;
    if (flags & (O_CREAT | O_TMPFILE)) {
        va_list rest;
        va_start(rest, flags);
        mode = va_arg(rest, mode_t);
        va_end(rest);
    }
    if (!files || !strstr(path, files)) return real_open(path, flags, mode);
    pthread_mutex_lock(&turn);
    int done = fails(OPEN) ? -1 : real_open(path, flags, mode);
    pthread_mutex_unlock(&turn);
    return done;
}

int open(const char *path, int flags, ...) {
    mode_t mode = 0;
    if (flags & (O_CREAT | O_TMPFILE)) {
        va_list rest;
        va_start(rest, flags);
        mode = va_arg(rest, mode_t);
        va_end(rest);
    }
    return open64(path, flags, mode);
}

static int64_t shifted(void) { return shift ? *shift : 0; }

int clock_gettime(clockid_t which, struct timespec *now) {
    int done = real_clock(which, now);
    if (!done && (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE)) now->tv_sec += shifted();
    return done;
}

int gettimeofday(struct timeval *now, void *zone) {
    (void)zone;
    struct timespec exact;
    if (clock_gettime(CLOCK_REALTIME, &exact)) return -1;
    now->tv_sec = exact.tv_sec;
    now->tv_usec = exact.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *into) {
    struct timespec exact;
    if (clock_gettime(CLOCK_REALTIME, &exact)) return -1;
    if (into) *into = exact.tv_sec;
    return exact.tv_sec;
}
