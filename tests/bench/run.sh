#!/bin/sh
# Prints figures, a line each: name | value | goal | peer | ratio | met
#
#   sh tests/bench/run.sh                all
#   sh tests/bench/run.sh conversion     only the named ones
#
# Ends with 1 if any figure is short of its goal. Sets up like tests/run.sh, which see.
set -eu
here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
top=$(dirname -- "$(dirname -- "$here")")
[ -x "$top/tests/.venv/bin/python" ] || sh "$top/tests/run.sh" lint >/dev/null
cd "$top/tests"
exec .venv/bin/python -m bench "$@"
