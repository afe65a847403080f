/* Writes down every change that a program makes below one folder, in the order in which it is made: what is
 * written where, what is synced, what is created, renamed and removed. Preloaded (LD_PRELOAD), so that
 * the program need not know. What it prints is written down too: the moment of a promise.
 *
 * RECORD_FOLDER  the folder, without a slash at its end
 * RECORD_LOG     where to write it down: records of
 *                kind (1 B), inode (8 B), a (8 B), b (8 B), bytes that follow (4 B), the bytes
 *
 * One lock is held over each call and its record, so that the order is the true one.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

static pthread_mutex_t lock = PTHREAD_RECURSIVE_MUTEX_INITIALIZER_NP;
static int log_fd = -2;
static const char *folder;
static size_t folder_length;

static void put(const void *bytes, size_t length) {
    const char *at = bytes;
    while (length > 0) {
        ssize_t done = syscall(SYS_write, log_fd, at, length);
        if (done <= 0) _exit(97);
        at += done;
        length -= (size_t)done;
    }
}

static void record(char kind, uint64_t inode, uint64_t a, uint64_t b, const void *bytes, size_t length) {
    unsigned char head[29];
    uint32_t size = (uint32_t)length;
    head[0] = (unsigned char)kind;
    memcpy(head + 1, &inode, 8);
    memcpy(head + 9, &a, 8);
    memcpy(head + 17, &b, 8);
    memcpy(head + 25, &size, 4);
    put(head, sizeof head);
    put(bytes, length);
}

static int on(void) {
    if (log_fd == -2) {
        const char *path = getenv("RECORD_LOG");
        folder = getenv("RECORD_FOLDER");
        log_fd = -1;
        if (path && folder) {
            folder_length = strlen(folder);
            log_fd = (int)syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
        }
    }
    return log_fd >= 0;
}

static int below(const char *path) {
    return strncmp(path, folder, folder_length) == 0 && (path[folder_length] == '/' || path[folder_length] == 0);
}

/* The path behind a descriptor, where it lies below the folder. */
static int fd_below(int fd, char *path) {
    char link[64];
    if (!on() || fd < 0 || fd == log_fd) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, PATH_MAX - 1);
    if (length <= 0) return 0;
    path[length] = 0;
    return below(path);
}

/* A path given beside a folder's descriptor, made whole. */
static int whole(int at, const char *given, char *path) {
    if (!on()) return 0;
    if (given[0] == '/') {
        snprintf(path, PATH_MAX, "%s", given);
    } else {
        char base[PATH_MAX];
        if (at == AT_FDCWD) {
            if (!getcwd(base, sizeof base)) return 0;
        } else {
            char link[64];
            snprintf(link, sizeof link, "/proc/self/fd/%d", at);
            ssize_t length = readlink(link, base, sizeof base - 1);
            if (length <= 0) return 0;
            base[length] = 0;
        }
        if ((size_t)snprintf(path, PATH_MAX, "%s/%s", base, given) >= PATH_MAX) return 0;
    }
    return below(path);
}

static uint64_t inode_of(int fd) {
    struct stat found;
    return fstat(fd, &found) == 0 ? found.st_ino : 0;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define ENTER pthread_mutex_lock(&lock)
#define LEAVE(value) do { int kept = errno; pthread_mutex_unlock(&lock); errno = kept; return value; } while (0)

static int open_any(int at, const char *given, int flags, mode_t mode) {
    char path[PATH_MAX];
    ENTER;
    int counts = whole(at, given, path);
    struct stat before;
    int was = counts && fstatat(at, given, &before, 0) == 0;
    int fd = (int)syscall(SYS_openat, at, given, flags, mode);
    if (fd >= 0 && counts) {
        if (!was) record('c', inode_of(fd), 0, 0, path, strlen(path));
        else if ((flags & O_TRUNC) && S_ISREG(before.st_mode)) record('t', before.st_ino, 0, 0, "", 0);
    }
    LEAVE(fd);
}

#define MODE mode_t mode = 0; if (flags & (O_CREAT | __O_TMPFILE)) { va_list rest; va_start(rest, flags); mode = va_arg(rest, mode_t); va_end(rest); }
int open(const char *path, int flags, ...) { MODE return open_any(AT_FDCWD, path, flags, mode); }
int open64(const char *path, int flags, ...) { MODE return open_any(AT_FDCWD, path, flags | O_LARGEFILE, mode); }
int openat(int at, const char *path, int flags, ...) { MODE return open_any(at, path, flags, mode); }
int openat64(int at, const char *path, int flags, ...) { MODE return open_any(at, path, flags | O_LARGEFILE, mode); }
int creat(const char *path, mode_t mode) { return open_any(AT_FDCWD, path, O_CREAT | O_WRONLY | O_TRUNC, mode); }

/* `offset` below zero: at the descriptor's own place. */
static void wrote(int fd, const void *bytes, ssize_t done, off_t offset) {
    char path[PATH_MAX];
    if (done <= 0) return;
    if (fd == 1 && on()) {
        record('m', 0, 0, 0, bytes, (size_t)done);
    } else if (fd_below(fd, path)) {
        if (offset < 0) offset = lseek(fd, 0, SEEK_CUR) - done;
        record('w', inode_of(fd), (uint64_t)offset, 0, bytes, (size_t)done);
    }
}

ssize_t write(int fd, const void *bytes, size_t length) {
    ENTER;
    /* A promise counts before anybody can have read it. */
    if (fd == 1) wrote(fd, bytes, (ssize_t)length, -1);
    ssize_t done = syscall(SYS_write, fd, bytes, length);
    if (fd != 1) wrote(fd, bytes, done, -1);
    LEAVE(done);
}

ssize_t pwrite64(int fd, const void *bytes, size_t length, off_t offset) {
    ENTER;
    ssize_t done = syscall(SYS_pwrite64, fd, bytes, length, offset);
    wrote(fd, bytes, done, offset);
    LEAVE(done);
}
ssize_t pwrite(int fd, const void *bytes, size_t length, off_t offset) { return pwrite64(fd, bytes, length, offset); }

ssize_t writev(int fd, const struct iovec *parts, int count) {
    ssize_t all = 0;
    for (int i = 0; i < count; i++) {
        if (parts[i].iov_len == 0) continue;
        ssize_t done = write(fd, parts[i].iov_base, parts[i].iov_len);
        if (done < 0) return all > 0 ? all : done;
        all += done;
        if ((size_t)done < parts[i].iov_len) break;
    }
    return all;
}

/* Copies inside the kernel are asked for as plain writes, which are written down. */
ssize_t copy_file_range(int from, off64_t *from_at, int to, off64_t *to_at, size_t length, unsigned flags) {
    (void)from; (void)from_at; (void)to; (void)to_at; (void)length; (void)flags;
    errno = EXDEV;
    return -1;
}
ssize_t sendfile64(int to, int from, off64_t *at, size_t length) {
    (void)to; (void)from; (void)at; (void)length;
    errno = EINVAL;
    return -1;
}
ssize_t sendfile(int to, int from, off_t *at, size_t length) { return sendfile64(to, from, at, length); }
ssize_t splice(int from, off64_t *from_at, int to, off64_t *to_at, size_t length, unsigned flags) {
    (void)from; (void)from_at; (void)to; (void)to_at; (void)length; (void)flags;
    errno = EINVAL;
    return -1;
}

int ftruncate64(int fd, off_t length) {
    char path[PATH_MAX];
    ENTER;
    int done = (int)syscall(SYS_ftruncate, fd, length);
    if (done == 0 && fd_below(fd, path)) record('t', inode_of(fd), (uint64_t)length, 0, "", 0);
    LEAVE(done);
}
int ftruncate(int fd, off_t length) { return ftruncate64(fd, length); }

int fallocate64(int fd, int mode, off_t offset, off_t length) {
    char path[PATH_MAX];
    ENTER;
    struct stat found;
    int done = (int)syscall(SYS_fallocate, fd, mode, offset, length);
    if (done == 0 && fd_below(fd, path) && fstat(fd, &found) == 0) record('t', found.st_ino, (uint64_t)found.st_size, 0, "", 0);
    LEAVE(done);
}
int fallocate(int fd, int mode, off_t offset, off_t length) { return fallocate64(fd, mode, offset, length); }
int posix_fallocate64(int fd, off_t offset, off_t length) { return fallocate64(fd, 0, offset, length) == 0 ? 0 : errno; }
int posix_fallocate(int fd, off_t offset, off_t length) { return posix_fallocate64(fd, offset, length); }

static int synced(int fd, long call) {
    char path[PATH_MAX];
    struct stat found;
    ENTER;
    int done = (int)syscall(call, fd);
    if (done == 0 && fd_below(fd, path) && fstat(fd, &found) == 0) {
        record(S_ISDIR(found.st_mode) ? 'f' : 's', found.st_ino, 0, 0, path, strlen(path));
    }
    LEAVE(done);
}
int fsync(int fd) { return synced(fd, SYS_fsync); }
int fdatasync(int fd) { return synced(fd, SYS_fdatasync); }

static int renamed(int from_at, const char *from, int to_at, const char *to, unsigned flags) {
    char old[PATH_MAX], both[2 * PATH_MAX];
    ENTER;
    int counts = whole(from_at, from, old);
    int done = (int)syscall(SYS_renameat2, from_at, from, to_at, to, flags);
    if (done == 0 && counts) {
        char new[PATH_MAX];
        if (!whole(to_at, to, new)) _exit(98);
        size_t length = strlen(old) + 1;
        memcpy(both, old, length);
        memcpy(both + length, new, strlen(new));
        record('r', 0, 0, 0, both, length + strlen(new));
    }
    LEAVE(done);
}
int rename(const char *from, const char *to) { return renamed(AT_FDCWD, from, AT_FDCWD, to, 0); }
int renameat(int a, const char *from, int b, const char *to) { return renamed(a, from, b, to, 0); }
int renameat2(int a, const char *from, int b, const char *to, unsigned flags) { return renamed(a, from, b, to, flags); }

static int removed(int at, const char *given, int flags) {
    char path[PATH_MAX];
    ENTER;
    int counts = whole(at, given, path);
    int done = (int)syscall(SYS_unlinkat, at, given, flags);
    if (done == 0 && counts) record('u', 0, 0, 0, path, strlen(path));
    LEAVE(done);
}
int unlink(const char *path) { return removed(AT_FDCWD, path, 0); }
int rmdir(const char *path) { return removed(AT_FDCWD, path, AT_REMOVEDIR); }
int unlinkat(int at, const char *path, int flags) { return removed(at, path, flags); }

static int made(int at, const char *given, mode_t mode) {
    char path[PATH_MAX];
    ENTER;
    int counts = whole(at, given, path);
    int done = (int)syscall(SYS_mkdirat, at, given, mode);
    if (done == 0 && counts) record('d', 0, 0, 0, path, strlen(path));
    LEAVE(done);
}
int mkdir(const char *path, mode_t mode) { return made(AT_FDCWD, path, mode); }
int mkdirat(int at, const char *path, mode_t mode) { return made(at, path, mode); }
