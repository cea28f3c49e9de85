#!/bin/sh
# Fuzzing of everything that reads what a sensor sent.
#
#   sh tests/fuzz/run.sh                          replays the kept corpus, in a second or two
#   sh tests/fuzz/run.sh lines scpi --seconds 300 fuzzes the named targets, guided by coverage
#
# The second grows the corpus in tests/fuzz/corpus and needs atheris (the extra "fuzz"). What breaks
# a promise is left in a file that the last line names; make it a named test, then mend. Ends with 1
# if anything broke. Sets up like tests/run.sh, which see.
set -eu
here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
top=$(dirname -- "$(dirname -- "$here")")
[ -x "$top/tests/.venv/bin/python" ] || sh "$top/tests/run.sh" lint >/dev/null
cd "$top/tests"
exec .venv/bin/python -m fuzz "$@"
