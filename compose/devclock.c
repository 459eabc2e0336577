/* The device's own clock: a preload that adds an offset to CLOCK_REALTIME and to nothing else.
 *
 * The offset is a signed 64-bit count of nanoseconds, little-endian, in the file named by BENCH_CLOCK_FILE. The file is
 * mapped shared, so a running process sees a step at once. No variable, no file, or a file shorter than 8 bytes: offset 0
 * (a file that is not there yet is looked for again, at most once a second). Write the file in place: one that is put in
 * its stead is not seen, and one that is cut short kills who has it mapped.
 *
 * Covered: clock_gettime for CLOCK_REALTIME and CLOCK_REALTIME_COARSE, gettimeofday, time, timespec_get. Monotonic clocks,
 * sleeps and timers stay as they are. Not covered, by nature: file times, kernel packet stamps, static programs.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <endian.h>
#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#define NS_PER_S INT64_C(1000000000)

typedef int (*gettime_fn)(clockid_t, struct timespec *);

static gettime_fn real_gettime(void) {
    static _Atomic(gettime_fn) found; /* the C library's, which goes through the vDSO */
    gettime_fn fn = found;
    if (!fn) found = fn = (gettime_fn)dlsym(RTLD_NEXT, "clock_gettime");
    return fn;
}

static const volatile int64_t *map_file(void) {
    static _Atomic(time_t) looked_s; /* second of the last look, plus one: zero means never */
    struct timespec now;
    struct stat info;
    const char *name = getenv("BENCH_CLOCK_FILE");
    if (!name || real_gettime()(CLOCK_MONOTONIC, &now) || looked_s == now.tv_sec + 1) return NULL;
    looked_s = now.tv_sec + 1;
    void *map = MAP_FAILED;
    int fd = open(name, O_RDONLY | O_CLOEXEC);
    if (fd >= 0 && !fstat(fd, &info) && info.st_size >= (off_t)sizeof(int64_t))
        map = mmap(NULL, sizeof(int64_t), PROT_READ, MAP_SHARED, fd, 0);
    if (fd >= 0) close(fd);
    return map == MAP_FAILED ? NULL : map;
}

static int64_t offset_ns(void) {
    static _Atomic(const volatile int64_t *) mapped;
    const volatile int64_t *at = mapped;
    if (!at) {
        int saved = errno; /* a look at the clock must not change it */
        mapped = at = map_file();
        errno = saved;
    }
    return at ? (int64_t)le64toh((uint64_t)*at) : 0;
}

int clock_gettime(clockid_t clock, struct timespec *out) {
    int result = real_gettime()(clock, out);
    if (result || (clock != CLOCK_REALTIME && clock != CLOCK_REALTIME_COARSE)) return result;
    int64_t ns = out->tv_sec * NS_PER_S + out->tv_nsec + offset_ns();
    out->tv_sec = ns / NS_PER_S;
    out->tv_nsec = ns % NS_PER_S;
    if (out->tv_nsec < 0) { /* before 1970 */
        out->tv_sec--;
        out->tv_nsec += NS_PER_S;
    }
    return 0;
}

int gettimeofday(struct timeval *restrict out, void *restrict zone) {
    struct timespec now;
    (void)zone; /* obsolete (POSIX.1-2008): the C library fills it with zeros at best */
    if (clock_gettime(CLOCK_REALTIME, &now)) return -1;
    out->tv_sec = now.tv_sec;
    out->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *out) {
    struct timespec now;
    if (clock_gettime(CLOCK_REALTIME, &now)) return (time_t)-1;
    if (out) *out = now.tv_sec;
    return now.tv_sec;
}

int timespec_get(struct timespec *out, int base) {
    return base == TIME_UTC && !clock_gettime(CLOCK_REALTIME, out) ? base : 0;
}
