#!/bin/sh
# Fault campaigns: power cuts, full and failing disks, lost clocks, dying servers. Each ends in one
# line that says what was tried and what was lost.
#
#   sh tests/faults/run.sh                   all, some half an hour
#   sh tests/faults/run.sh store             the record: kill, full, failing, powercut, aside, service
#   sh tests/faults/run.sh forward           the outlets: database, broker, scripted
#   sh tests/faults/run.sh deploy            power cuts under the whole service (fuse), and under the
#                                            units of a virtual machine (guest), half an hour
#   sh tests/faults/run.sh water             simulated years of three rigs, a quarter of an hour
#   sh tests/faults/run.sh kill clock        the named ones
#   sh tests/faults/run.sh kill --seed 7     other moments
#   sh tests/faults/run.sh --short           a few seconds of each
#
# Ends with 1 if anything was lost. Sets up like tests/run.sh, which see.
set -eu
here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
top=$(dirname -- "$(dirname -- "$here")")
case " $* " in
  *" --short "*) sh "$top/tests/run.sh" setup ;; # a virtual machine has no short run
  *" deploy "* | *" guest "* | "  ") sh "$top/tests/run.sh" setup guest ;;
  *) sh "$top/tests/run.sh" setup ;;
esac
cd "$top/tests"
exec .venv/bin/python -m faults "$@"
