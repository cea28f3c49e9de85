/* The clock of one process, and what the kernel says of it: loaded before libc (LD_PRELOAD).
 *
 * CLOCK_REALTIME is ahead by as many ns as the file SETCLOCK_AHEAD holds, an int64_t; the other
 * clocks are left alone. adjtimex(2) is answered from the file SETCLOCK_KNOWN: "synchronised" is an
 * error bound of a ms, anything else the kernel's own bound for a clock that nothing disciplines,
 * 16 s. Setting anything is refused.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

#define NS 1000000000LL

static const volatile int64_t *ahead; /* NULL: not set */

__attribute__((constructor)) static void open_it(void) {
  const char *path = getenv("SETCLOCK_AHEAD");
  int file;

  if (!path)
    return;
  file = open(path, O_RDONLY | O_CLOEXEC);
  ahead = file < 0 ? MAP_FAILED : mmap(NULL, sizeof *ahead, PROT_READ, MAP_SHARED, file, 0);
  if (ahead == MAP_FAILED) {
    perror(path);
    _exit(97);
  }
  close(file);
}

int clock_gettime(clockid_t which, struct timespec *now) {
  int failed = (int)syscall(SYS_clock_gettime, which, now);
  int64_t ns;

  if (failed || !ahead || (which != CLOCK_REALTIME && which != CLOCK_REALTIME_COARSE))
    return failed;
  ns = (int64_t)now->tv_sec * NS + now->tv_nsec + *ahead;
  now->tv_sec = ns / NS - (ns % NS < 0);
  now->tv_nsec = (ns % NS + NS) % NS;
  return 0;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone) {
  struct timespec exact;

  (void)zone;
  if (clock_gettime(CLOCK_REALTIME, &exact))
    return -1;
  now->tv_sec = exact.tv_sec;
  now->tv_usec = exact.tv_nsec / 1000;
  return 0;
}

time_t time(time_t *now) {
  struct timespec exact;

  if (clock_gettime(CLOCK_REALTIME, &exact))
    return -1;
  if (now)
    *now = exact.tv_sec;
  return exact.tv_sec;
}

int adjtimex(struct timex *answer) {
  const char *path = getenv("SETCLOCK_KNOWN");
  char word[16] = "";
  FILE *file;

  if (answer->modes != 0) {
    errno = EPERM;
    return -1;
  }
  file = path ? fopen(path, "re") : NULL;
  if (file) {
    if (!fgets(word, sizeof word, file))
      word[0] = 0;
    fclose(file);
  }
  memset(answer, 0, sizeof *answer);
  if (strcmp(word, "synchronised") == 0) {
    answer->maxerror = 1000;
    return TIME_OK;
  }
  answer->maxerror = 16000000;
  answer->status = STA_UNSYNC;
  return TIME_ERROR;
}
