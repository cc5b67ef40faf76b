/* A hardware watchdog for tests, loaded before the C library: the file named by FAKE_WATCHDOG, opened for writing only,
   behaves as Documentation/watchdog/watchdog-api.rst says, and each thing done to it becomes a line of the file
   FAKE_WATCHDOG_LOG: "open", "timeout N", "ping", "V", "close", with the process and the moment. FAKE_WATCHDOG_MOST is
   the longest timeout that it can set; one that can set none has FAKE_WATCHDOG_FIXED. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/watchdog.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static int watched = -1;
static int seconds = 60;

static void note(const char *what, int number)
{
    char line[96];
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    int length = number < 0 ? snprintf(line, sizeof line, "%ld.%09ld %d %s\n", now.tv_sec, now.tv_nsec, getpid(), what)
                            : snprintf(line, sizeof line, "%ld.%09ld %d %s %d\n", now.tv_sec, now.tv_nsec, getpid(), what, number);
    int (*opens)(const char *, int, ...) = (int (*)(const char *, int, ...))dlsym(RTLD_NEXT, "open64");
    ssize_t (*writes)(int, const void *, size_t) = (ssize_t (*)(int, const void *, size_t))dlsym(RTLD_NEXT, "write");
    int (*closes)(int) = (int (*)(int))dlsym(RTLD_NEXT, "close");
    int log = opens(getenv("FAKE_WATCHDOG_LOG"), O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
    if (log >= 0 && writes(log, line, length) == length)
        closes(log);
}

int open64(const char *path, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    int mode = va_arg(more, int);
    va_end(more);
    int (*real)(const char *, int, ...) = (int (*)(const char *, int, ...))dlsym(RTLD_NEXT, "open64");
    int fd = real(path, flags, mode);
    const char *ours = getenv("FAKE_WATCHDOG");
    if (fd >= 0 && ours && !strcmp(path, ours) && (flags & O_ACCMODE) == O_WRONLY) {
        watched = fd;
        note("open", -1);
    }
    return fd;
}

int ioctl(int fd, unsigned long request, ...)
{
    va_list more;
    va_start(more, request);
    void *argument = va_arg(more, void *);
    va_end(more);
    if (fd < 0 || fd != watched) {
        int (*real)(int, unsigned long, ...) = (int (*)(int, unsigned long, ...))dlsym(RTLD_NEXT, "ioctl");
        return real(fd, request, argument);
    }
    const char *fixed = getenv("FAKE_WATCHDOG_FIXED"), *most = getenv("FAKE_WATCHDOG_MOST");
    if ((unsigned)request == (unsigned)WDIOC_GETSUPPORT) {
        struct watchdog_info info = {.options = WDIOF_SETTIMEOUT | WDIOF_MAGICCLOSE, .identity = "Window bench timer"};
        memcpy(argument, &info, sizeof info);
        return 0;
    }
    if ((unsigned)request == (unsigned)WDIOC_SETTIMEOUT && !fixed) {
        seconds = *(int *)argument;
        if (most && seconds > atoi(most))
            seconds = atoi(most);
        *(int *)argument = seconds;
        note("timeout", seconds);
        return 0;
    }
    if ((unsigned)request == (unsigned)WDIOC_GETTIMEOUT) {
        *(int *)argument = fixed ? atoi(fixed) : seconds;
        return 0;
    }
    errno = EOPNOTSUPP;
    return -1;
}

ssize_t write(int fd, const void *bytes, size_t length)
{
    if (fd >= 0 && fd == watched) {
        note(memchr(bytes, 'V', length) ? "V" : "ping", -1);
        return length;
    }
    ssize_t (*real)(int, const void *, size_t) = (ssize_t (*)(int, const void *, size_t))dlsym(RTLD_NEXT, "write");
    return real(fd, bytes, length);
}

int close(int fd)
{
    if (fd >= 0 && fd == watched) {
        watched = -1;
        note("close", -1);
    }
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, "close");
    return real(fd);
}
