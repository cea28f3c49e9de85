#!/bin/sh
# Runs Longsoak on a simulated rig: sh demo/start.sh [--for 60] [--speed 40000] [--events FILE] ...
# Makes its own virtual environment beside this file; all else it passes on to longsoak_demo.
set -eu

here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
root=$(dirname -- "$here")
venv=$here/.venv
stamp=$venv/installed

say() { printf '%s\n' "$*"; }
give_up() {
    printf '%s\n' "$*" >&2
    exit 2
}

# A version manager's stand-in may be on the path without the Python behind it, so each is asked.
fits() {
    "$1" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] < (3, 14))' 2>/dev/null
}

find_python() {
    for candidate in python3.13 python3.12 python3.11 python3; do
        if command -v "$candidate" >/dev/null 2>&1 && fits "$candidate"; then
            printf '%s\n' "$candidate"
            return
        fi
    done
    return 1
}

has_venv() { "$1" -c 'import ensurepip, venv' 2>/dev/null; }

# Debian keeps venv and ensurepip in a package of their own.
install_venv() {
    version=$("$1" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
    say "$1 has no venv module, which the demo's own environment needs."
    if ! command -v apt-get >/dev/null 2>&1; then
        give_up "Install Python's venv and ensurepip modules with your system's package manager."
    fi
    if [ "$(id -u)" -ne 0 ]; then
        give_up "Install it with: sudo apt-get install python$version-venv python3-venv"
    fi
    say "Installing it with apt-get."
    apt-get update -q >/dev/null || say "The list of packages could not be renewed; going on."
    # python3-venv serves the system's own python3 only, so the one named by version goes first.
    DEBIAN_FRONTEND=noninteractive apt-get install -qy "python$version-venv" >/dev/null 2>&1 ||
        DEBIAN_FRONTEND=noninteractive apt-get install -qy python3-venv >/dev/null ||
        give_up "It could not be installed. Try by hand: apt-get install python3-venv"
    has_venv "$1" || give_up "$1 still has no venv module. Install python3 from Debian and try again."
}

# What the installation hangs on. The sources are used where they lie, so changes in them need no
# new installation; the entry points and dependencies in pyproject.toml do.
wanted() { printf '%s\n' "$root" && cksum <"$root/pyproject.toml"; }

python=$(find_python) ||
    give_up "Longsoak needs Python 3.11, 3.12 or 3.13, and none was found. Install python3."

# Asked for pip, because an interrupted start can leave an environment without it.
if ! "$venv/bin/python" -m pip --version >/dev/null 2>&1 || ! fits "$venv/bin/python"; then
    has_venv "$python" || install_venv "$python"
    say "Making a virtual environment in $venv with $($python --version)."
    rm -rf "$venv"
    "$python" -m venv "$venv"
fi

if [ ! -f "$stamp" ] || [ "$(wanted)" != "$(cat "$stamp")" ]; then
    say "Installing Longsoak into it; this can take a minute."
    "$venv/bin/python" -m pip install --quiet --quiet --disable-pip-version-check \
        --editable "${root}[modbus,analysis]" ||
        give_up "The installation failed. Check the connection to the package index and try again."
    wanted >"$stamp"
fi

exec "$venv/bin/python" -m longsoak_demo --folder "$here/rig" "$@"
