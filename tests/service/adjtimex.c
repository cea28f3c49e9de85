/* Whether the kernel calls its clock synchronised, for one process: loaded before libc (LD_PRELOAD),
 * it answers adjtimex(2) from the file ADJTIMEX_FILE. There, "synchronised" is an error bound of a
 * ms, anything else the kernel's own bound for a clock that nothing disciplines, 16 s.
 * Setting anything is refused.
 */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/timex.h>

int adjtimex(struct timex *answer) {
  const char *path = getenv("ADJTIMEX_FILE");
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
