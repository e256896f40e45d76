/* Calls of the system that fail, or take long, when a campaign wants them to.
 *
 * Loaded before the C library (LD_PRELOAD). What is wanted stands in FAULTS, a file of seven
 * numbers in memory shared by all processes of a trial: which call (0 write, 1 sync, 2 truncate),
 * from which one on, how many of them fail, the error number, microseconds that each takes first,
 * how many such calls there have been, and how many were made to fail. Only files below
 * FAULT_FOLDER count; memory mapped ones are not seen.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/uio.h>
#include <unistd.h>

enum { CALL, FROM, TIMES, ERROR, DELAY_US, SEEN, FAILED, FIELDS };
enum { WRITE, SYNC, TRUNCATE };

static _Atomic int64_t *plan(void) {
    static _Atomic int64_t *held;
    if (held == NULL) {
        const char *path = getenv("FAULTS");
        int handle = path ? open(path, O_RDWR | O_CLOEXEC) : -1;
        if (handle < 0) return NULL;
        void *mapped = mmap(NULL, FIELDS * 8, PROT_READ | PROT_WRITE, MAP_SHARED, handle, 0);
        close(handle);
        if (mapped == MAP_FAILED) return NULL;
        held = mapped;
    }
    return held;
}

static int strikes(int call, int handle) {
    _Atomic int64_t *wanted = plan();
    if (wanted == NULL || wanted[CALL] != call) return 0;
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", handle);
    ssize_t n = readlink(link, path, sizeof path - 1);
    const char *folder = getenv("FAULT_FOLDER");
    if (n <= 0 || folder == NULL) return 0;
    path[n] = 0;
    if (strncmp(path, folder, strlen(folder)) != 0) return 0;
    int64_t i = ++wanted[SEEN];
    if (i < wanted[FROM] || i >= wanted[FROM] + wanted[TIMES]) return 0;
    ++wanted[FAILED];
    if (wanted[DELAY_US] > 0) usleep(wanted[DELAY_US]);
    if (wanted[ERROR] == 0) return 0;
    errno = (int)wanted[ERROR];
    return 1;
}

#define THE_REAL(name, type) \
    static type real; \
    if (real == NULL) real = (type)dlsym(RTLD_NEXT, name)

typedef ssize_t (*write_t)(int, const void *, size_t);
typedef ssize_t (*pwrite_t)(int, const void *, size_t, off_t);
typedef ssize_t (*writev_t)(int, const struct iovec *, int);
typedef int (*sync_t)(int);
typedef int (*truncate_t)(int, off_t);

ssize_t write(int handle, const void *data, size_t n) {
    THE_REAL("write", write_t);
    return strikes(WRITE, handle) ? -1 : real(handle, data, n);
}

ssize_t pwrite(int handle, const void *data, size_t n, off_t at) {
    THE_REAL("pwrite", pwrite_t);
    return strikes(WRITE, handle) ? -1 : real(handle, data, n, at);
}

ssize_t pwrite64(int handle, const void *data, size_t n, off64_t at) {
    THE_REAL("pwrite64", pwrite_t);
    return strikes(WRITE, handle) ? -1 : real(handle, data, n, at);
}

ssize_t writev(int handle, const struct iovec *parts, int n) {
    THE_REAL("writev", writev_t);
    return strikes(WRITE, handle) ? -1 : real(handle, parts, n);
}

int fsync(int handle) {
    THE_REAL("fsync", sync_t);
    return strikes(SYNC, handle) ? -1 : real(handle);
}

int fdatasync(int handle) {
    THE_REAL("fdatasync", sync_t);
    return strikes(SYNC, handle) ? -1 : real(handle);
}

int ftruncate(int handle, off_t size) {
    THE_REAL("ftruncate", truncate_t);
    return strikes(TRUNCATE, handle) ? -1 : real(handle, size);
}

int ftruncate64(int handle, off64_t size) {
    THE_REAL("ftruncate64", truncate_t);
    return strikes(TRUNCATE, handle) ? -1 : real(handle, size);
}
