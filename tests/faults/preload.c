/* A disk that fails on command, for one process: loaded before libc (LD_PRELOAD), it stands between
 * the process and the files under one folder. Three things, each on its own:
 *
 *   - operations fail, write only part, or lose what was not synced, as `struct control` says. It
 *     lies in a file both sides map, so that a fault can begin and end while the process runs;
 *   - the process dies in the midst of a given operation;
 *   - every operation is written to a journal, from which the state of the disk after a power cut
 *     can be built.
 *
 * FAULTS_UNDER    the folder
 * FAULTS_CONTROL  the control file (optional)
 * FAULTS_JOURNAL  the journal (optional)
 *
 * tests/faults/preload.py writes the first and reads the second; keep the two alike.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

enum kind { OPEN, READ, WRITE, SYNC, TRUNCATE, UNLINK, KINDS }; /* UNLINK: also rename */

struct control {
  uint64_t operations; /* so far; reads are not counted */
  uint64_t failed;     /* operations made to fail so far */
  uint64_t die_at;     /* the operation in whose midst the process dies; 0 for none */
  uint64_t seed;
  uint32_t error[KINDS];       /* errno of a kind; 0 for none */
  uint32_t per_million[KINDS]; /* how often it fails */
  uint32_t partly;             /* failing writes get some of it down first */
  uint32_t drop;               /* a failing sync loses what was written since the last one */
  uint32_t hang;               /* a sync comes back only once this is 0 again */
  uint32_t lie;                /* a sync does nothing and says that it has */
};

/* In the journal, each followed by `length` bytes. */
enum entry { J_OPEN = 1, J_CREATE, J_WRITE, J_TRUNCATE, J_SYNC, J_UNLINK, J_RENAME };
struct header {
  uint64_t entry;
  uint64_t handle; /* names an open file: by process and order of opening */
  uint64_t offset; /* or the new size */
  uint64_t length;
};

#define FILES 4096
static struct {
  uint64_t handle; /* 0: not watched */
  int spared; /* shared memory of the database: it dies with the machine anyway */
} files[FILES];

struct undo {
  struct undo *before;
  dev_t device;
  ino_t inode;
  off_t offset;
  size_t length;
  char old[];
};

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static struct control nothing, *control = &nothing;
static struct undo *unsynced;
static const char *under;
static int journal = -1;
static uint64_t handles;
static uint64_t chance_state;

static int (*real_open)(const char *, int, ...);
static int (*real_openat)(int, const char *, int, ...);
static int (*real_close)(int);
static ssize_t (*real_read)(int, void *, size_t);
static ssize_t (*real_pread)(int, void *, size_t, off_t);
static ssize_t (*real_write)(int, const void *, size_t);
static ssize_t (*real_pwrite)(int, const void *, size_t, off_t);
static int (*real_fsync)(int);
static int (*real_fdatasync)(int);
static int (*real_ftruncate)(int, off_t);
static int (*real_unlink)(const char *);
static int (*real_rename)(const char *, const char *);

static void *real(const char *name) {
  void *found = dlsym(RTLD_NEXT, name);
  if (!found) abort();
  return found;
}

__attribute__((constructor)) static void start(void) {
  real_open = real("open64");
  real_openat = real("openat64");
  real_close = real("close");
  real_read = real("read");
  real_pread = real("pread64");
  real_write = real("write");
  real_pwrite = real("pwrite64");
  real_fsync = real("fsync");
  real_fdatasync = real("fdatasync");
  real_ftruncate = real("ftruncate64");
  real_unlink = real("unlink");
  real_rename = real("rename");
  const char *path = getenv("FAULTS_CONTROL");
  if (path) {
    int file = real_open(path, O_RDWR);
    void *at = file < 0 ? MAP_FAILED
                        : mmap(NULL, sizeof *control, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    if (at == MAP_FAILED) abort();
    control = at;
    real_close(file);
  }
  path = getenv("FAULTS_JOURNAL");
  if (path) {
    journal = real_open(path, O_WRONLY | O_CREAT | O_APPEND, 0600);
    if (journal < 0) abort();
    journal = fcntl(journal, F_DUPFD, 900); /* out of the way of the process's own numbers */
  }
  handles = (uint64_t)getpid() << 32;
  chance_state = control->seed * 0x9E3779B97F4A7C15u + 1;
  under = getenv("FAULTS_UNDER");
}

static uint32_t chance(uint32_t below) { /* xorshift64* */
  chance_state ^= chance_state >> 12;
  chance_state ^= chance_state << 25;
  chance_state ^= chance_state >> 27;
  return (uint32_t)((chance_state * 0x2545F4914F6CDD1Du) >> 33) % below;
}

static int watched_path(const char *path) {
  return under && path && strncmp(path, under, strlen(under)) == 0;
}

static int watched(int fd) { return fd >= 0 && fd < FILES && files[fd].handle != 0; }

static void note(enum entry entry, uint64_t handle, uint64_t offset, const void *data,
                 uint64_t length) {
  if (journal < 0) return;
  struct header header = {entry, handle, offset, length};
  struct iovec parts[] = {{&header, sizeof header}, {(void *)data, length}};
  if (writev(journal, parts, 2) != (ssize_t)(sizeof header + length)) abort();
}

/* Whether this operation fails, with errno set. Dies if it is the one to die in. */
static int fails(enum kind kind) {
  if (kind != READ && ++control->operations == control->die_at && kind != WRITE)
    kill(getpid(), SIGKILL);
  if (!control->error[kind] || chance(1000000) >= control->per_million[kind]) return 0;
  control->failed++;
  errno = (int)control->error[kind];
  return 1;
}

static void remember(int fd, off_t offset, size_t length) {
  struct stat stat;
  struct undo *undo = calloc(1, sizeof *undo + length);
  if (!undo || fstat(fd, &stat)) abort();
  *undo = (struct undo){unsynced, stat.st_dev, stat.st_ino, offset, length};
  /* Past the end, and in a file that is open for writing only, there was nought. */
  if (real_pread(fd, undo->old, length, offset) < 0) memset(undo->old, 0, length);
  unsynced = undo;
}

/* Forget what is remembered of a file; or put it back, as a kernel does that could not write. */
static void settle(int fd, int put_back) {
  struct stat stat;
  if (fstat(fd, &stat)) abort();
  for (struct undo **at = &unsynced; *at;) {
    struct undo *undo = *at;
    if (undo->device != stat.st_dev || undo->inode != stat.st_ino) {
      at = &undo->before;
      continue;
    }
    if (put_back && real_pwrite(fd, undo->old, undo->length, undo->offset) < 0) abort();
    *at = undo->before;
    free(undo);
  }
}

static ssize_t put(int fd, const void *data, size_t length, off_t offset, int at_position) {
  if (!watched(fd)) {
    return at_position ? real_write(fd, data, length) : real_pwrite(fd, data, length, offset);
  }
  pthread_mutex_lock(&lock);
  if (at_position) {
    struct stat stat;
    int end = fcntl(fd, F_GETFL) & O_APPEND;
    offset = end && !fstat(fd, &stat) ? stat.st_size : lseek(fd, 0, SEEK_CUR);
  }
  int failing = fails(WRITE), error = errno;
  int dying = control->operations == control->die_at;
  size_t down = length;
  if (dying || (failing && control->partly)) {
    down = chance((uint32_t)length + 1);
  } else if (failing) {
    down = 0;
  }
  ssize_t did = 0;
  if (down || !length) {
    if (control->drop && !files[fd].spared) remember(fd, offset, down);
    did = at_position ? real_write(fd, data, down) : real_pwrite(fd, data, down, offset);
    error = did < 0 ? errno : error;
    if (did > 0 && !files[fd].spared) {
      note(J_WRITE, files[fd].handle, (uint64_t)offset, data, (uint64_t)did);
    }
  }
  if (dying) kill(getpid(), SIGKILL);
  pthread_mutex_unlock(&lock);
  if (failing && did == 0) did = -1;
  if (did < 0) errno = error;
  return did;
}

static ssize_t get(int fd, void *data, size_t length, off_t offset, int at_position) {
  if (watched(fd)) {
    pthread_mutex_lock(&lock);
    int failing = fails(READ);
    pthread_mutex_unlock(&lock);
    if (failing) return -1;
  }
  return at_position ? real_read(fd, data, length) : real_pread(fd, data, length, offset);
}

static int flush(int fd, int (*how)(int)) {
  if (!watched(fd)) return how(fd);
  while (*(volatile uint32_t *)&control->hang) poll(NULL, 0, 10);
  if (control->lie) return 0;
  pthread_mutex_lock(&lock);
  int failing = fails(SYNC), error = errno, did = -1;
  if (failing) {
    if (control->drop) settle(fd, 1);
  } else {
    did = how(fd);
    error = errno;
    settle(fd, 0);
    if (!files[fd].spared) note(J_SYNC, files[fd].handle, 0, NULL, 0);
  }
  pthread_mutex_unlock(&lock);
  if (did < 0) errno = error;
  return did;
}

static int cut(int fd, off_t size) {
  if (!watched(fd)) return real_ftruncate(fd, size);
  pthread_mutex_lock(&lock);
  int failing = fails(TRUNCATE), error = errno, did = -1;
  if (!failing) {
    did = real_ftruncate(fd, size);
    error = errno;
    if (!files[fd].spared) note(J_TRUNCATE, files[fd].handle, (uint64_t)size, NULL, 0);
  }
  pthread_mutex_unlock(&lock);
  if (did < 0) errno = error;
  return did;
}

static int opened(int at, const char *path, int flags, mode_t mode) {
  if (!watched_path(path)) return real_openat(at, path, flags, mode);
  pthread_mutex_lock(&lock);
  int failing = fails(OPEN), error = errno, fd = -1;
  if (!failing) {
    int there = access(path, F_OK) == 0;
    fd = real_openat(at, path, flags, mode);
    error = errno;
    if (fd >= 0 && fd < FILES) {
      size_t length = strlen(path);
      files[fd].handle = ++handles;
      files[fd].spared = length > 4 && !strcmp(path + length - 4, "-shm");
      if (!files[fd].spared) {
        note(there ? J_OPEN : J_CREATE, handles, 0, path, length);
        if (there && (flags & O_TRUNC)) note(J_TRUNCATE, handles, 0, NULL, 0);
      }
    }
  }
  pthread_mutex_unlock(&lock);
  if (fd < 0) errno = error;
  return fd;
}

static mode_t mode_of(int flags, va_list rest) {
  return flags & (O_CREAT | O_TMPFILE) ? va_arg(rest, mode_t) : 0;
}

#define OPENS(name)                               \
  int name(const char *path, int flags, ...) {    \
    va_list rest;                                 \
    va_start(rest, flags);                        \
    mode_t mode = mode_of(flags, rest);           \
    va_end(rest);                                 \
    return opened(AT_FDCWD, path, flags, mode);   \
  }
#define OPENS_AT(name)                                  \
  int name(int at, const char *path, int flags, ...) {  \
    va_list rest;                                       \
    va_start(rest, flags);                              \
    mode_t mode = mode_of(flags, rest);                 \
    va_end(rest);                                       \
    return opened(at, path, flags, mode);               \
  }
OPENS(open)
OPENS(open64)
OPENS_AT(openat)
OPENS_AT(openat64)

int close(int fd) {
  if (watched(fd)) files[fd].handle = 0;
  return real_close(fd);
}

ssize_t read(int fd, void *data, size_t length) { return get(fd, data, length, 0, 1); }
ssize_t pread(int fd, void *data, size_t length, off_t at) { return get(fd, data, length, at, 0); }
ssize_t pread64(int fd, void *data, size_t length, off_t at) {
  return get(fd, data, length, at, 0);
}
ssize_t write(int fd, const void *data, size_t length) { return put(fd, data, length, 0, 1); }
ssize_t pwrite(int fd, const void *data, size_t length, off_t at) {
  return put(fd, data, length, at, 0);
}
ssize_t pwrite64(int fd, const void *data, size_t length, off_t at) {
  return put(fd, data, length, at, 0);
}
int fsync(int fd) { return flush(fd, real_fsync); }
int fdatasync(int fd) { return flush(fd, real_fdatasync); }
int ftruncate(int fd, off_t size) { return cut(fd, size); }
int ftruncate64(int fd, off_t size) { return cut(fd, size); }

int unlink(const char *path) {
  if (!watched_path(path)) return real_unlink(path);
  pthread_mutex_lock(&lock);
  int failing = fails(UNLINK), error = errno, did = -1;
  if (!failing) {
    did = real_unlink(path);
    error = errno;
    size_t length = strlen(path);
    if (!did && (length < 4 || strcmp(path + length - 4, "-shm"))) {
      note(J_UNLINK, 0, 0, path, length);
    }
  }
  pthread_mutex_unlock(&lock);
  if (did < 0) errno = error;
  return did;
}

int rename(const char *old, const char *new) {
  if (!watched_path(old)) return real_rename(old, new);
  pthread_mutex_lock(&lock);
  int failing = fails(UNLINK), error = errno, did = -1;
  if (!failing) {
    did = real_rename(old, new);
    error = errno;
    size_t length = strlen(old), both = length + 1 + strlen(new);
    char names[both + 1];
    memcpy(names, old, length + 1);
    memcpy(names + length + 1, new, both - length);
    if (!did && (length < 4 || strcmp(old + length - 4, "-shm"))) {
      note(J_RENAME, 0, 0, names, both);
    }
  }
  pthread_mutex_unlock(&lock);
  if (did < 0) errno = error;
  return did;
}
