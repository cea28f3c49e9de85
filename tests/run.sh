#!/bin/sh
# Sets up what the tests need, then runs them.
#
#   sh tests/run.sh              everything that is not long
#   sh tests/run.sh long         what that leaves out of its folders: tests marked as long
#   sh tests/run.sh lint core    only the named parts: lint, or a folder of tests/, long tests too
#   sh tests/run.sh findings     verdicts, the statistics they rest on, and reports, long tests too
#   sh tests/run.sh kernel       the drivers on a real kernel, in a virtual machine (fetches both)
#   sh tests/run.sh deploy       the installer on a bare Debian 12 and 13, on arm64 too, and the units
#                                started by the systemd of a virtual machine (fetches all of them)
#   sh tests/run.sh setup deploy nothing but the set-up, of what is named after it too
#
# Folders that run by name only: kernel, bare and guest (with deploy), coverage, interface, sheets.
#
# Safe to run again: what is already there is left as it is.
set -eu

here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
top=$(dirname -- "$here")
cd "$top"

say() { printf '%s\n' "tests: $*"; }

# --- system packages: the real servers and the browser the tests talk to, and what makes disks and
# --- clocks fail -----------------------------------------------------------------------------------
packages="chromium fonts-dejavu-core fuse3 gcc git libc6-dev mosquitto openssl poppler-utils
python3-venv shellcheck socat systemd victoria-metrics"
for part in "$@"; do
  case $part in
    kernel) packages="$packages qemu-system-x86 busybox-static cpio kmod" ;;
    bare | guest | deploy) packages="$packages qemu-system-x86 qemu-utils busybox-static cpio kmod
debootstrap debian-archive-keyring iproute2 qemu-user-static" ;;
  esac
done
# Node.js may have come from elsewhere, and its package then brings npm along.
{ command -v node && command -v npm; } >/dev/null 2>&1 || packages="$packages nodejs npm"
missing=""
for package in $packages; do
  status=$(dpkg-query -W -f '${Status}' "$package" 2>/dev/null || true)
  [ "$status" = "install ok installed" ] || missing="$missing $package"
done
if [ -n "$missing" ]; then
  if [ "$(id -u)" -ne 0 ]; then
    say "these system packages are missing:$missing"
    say "install them as root: apt-get install$missing"
    exit 2
  fi
  say "installing system packages:$missing"
  export DEBIAN_FRONTEND=noninteractive
  apt-get update -qq
  # shellcheck disable=SC2086  # a list of words, on purpose
  apt-get install -y -qq --no-install-recommends $missing >/dev/null
fi

# --- MicroPython for Node.js, which runs the front end's firmware -----------------------------------
modules="$here/frontend/node_modules"
if ! cmp -s "$here/frontend/package-lock.json" "$modules/installed" 2>/dev/null; then
  say "installing MicroPython for Node.js into tests/frontend/node_modules ($(node --version))"
  (cd "$here/frontend" && npm ci --ignore-scripts --no-audit --no-fund --silent)
  cp "$here/frontend/package-lock.json" "$modules/installed"
fi

# --- a virtual environment of its own --------------------------------------------------------------
python=""
for name in python3.13 python3.12 python3.11 python3; do
  if command -v "$name" >/dev/null 2>&1 &&
    "$name" -c 'import ensurepip, sys, venv; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' \
      2>/dev/null; then
    python=$name
    break
  fi
done
if [ -z "$python" ]; then
  say "no Python 3.11 to 3.13 with its venv module was found"
  exit 2
fi
venv="$here/.venv"
stamp="$venv/installed"
# A half-made environment has no stamp and is made anew; pip then takes what its cache holds.
if ! cmp -s pyproject.toml "$stamp" 2>/dev/null; then
  say "installing longsoak and the test tools into tests/.venv ($("$python" --version))"
  "$python" -m venv "$venv"
  "$venv/bin/python" -m pip install --quiet --disable-pip-version-check -e '.[test]'
  cp pyproject.toml "$stamp"
fi
PATH="$venv/bin:$PATH"
export PATH
# Where it is set, each of the thousand commands the tests start would compile all of Longsoak anew.
unset PYTHONDONTWRITEBYTECODE

lint() {
  say "ruff: format and lint"
  ruff format --check --quiet daemon deploy drivers dashboards demo tests
  ruff check --quiet daemon deploy drivers dashboards demo tests
  say "mypy --strict"
  mypy
  say "import-linter"
  lint-imports
  say "shellcheck"
  shellcheck deploy/*.sh demo/start.sh tests/run.sh tests/bench/run.sh tests/faults/run.sh tests/fuzz/run.sh \
    .ci/run
}

# Many tests wait for programs they have started: two more at once than there are processors.
side_by_side() { pytest -q -n $(($(nproc) < 4 ? $(nproc) + 2 : 6)) --dist loadgroup "$@"; }

[ "${1:-}" != setup ] || exit 0
if [ $# -eq 0 ]; then
  lint
  say "pytest"
  side_by_side -m "not long"
  exit
fi
paths=""
for part in "$@"; do
  if [ "$part" = lint ]; then
    lint
  elif [ "$part" = long ]; then
    say "pytest: what is long"
    side_by_side -m long
  elif [ "$part" = findings ]; then
    paths="$paths tests/core/findings tests/report tests/pages/test_findings_sheet.py"
    for of in agreement decision plan serial uptake; do
      paths="$paths tests/reference/test_$of.py"
    done
  elif [ -d "$here/$part" ]; then
    paths="$paths tests/$part"
    [ "$part" != deploy ] || paths="$paths tests/bare tests/guest" # a bare Debian, a real systemd
    [ "$part" != drivers ] || paths="$paths tests/conformance" # the same drivers, through the kit
  else
    say "there is no part '$part'; the parts are: setup lint long findings $(cd "$here" && echo [a-z]*/ | tr -d /)"
    exit 2
  fi
done
[ -n "$paths" ] || exit 0
# shellcheck disable=SC2086  # a list of words, on purpose
case " $* " in
  *" kernel "*) pytest -q $paths ;; # one virtual machine at a time
  *) side_by_side $paths ;;
esac
