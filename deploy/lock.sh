#!/bin/sh
# Makes requirements.lock and build.lock anew: what install.sh installs and what builds Longsoak, each
# package at one version with the checksums of its files, for Python 3.11 to 3.13 on any processor.
#
#   sh deploy/lock.sh             only what pyproject.toml asks for now is changed
#   sh deploy/lock.sh --upgrade   the newest of everything
set -eu

here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
cd "$here/.."
command -v uv >/dev/null 2>&1 || {
    printf '%s\n' "lock.sh: uv is missing. Install it into a virtual environment: pip install uv" >&2
    exit 2
}

lock() {
    file=$1
    shift
    uv pip compile --quiet --universal --generate-hashes --python-version 3.11 --no-annotate \
        --custom-compile-command 'sh deploy/lock.sh' --output-file "$file" "$@" >/dev/null
}
lock deploy/requirements.lock "$@" pyproject.toml \
    --extra modbus --extra gpio --extra analysis --extra report
sed -n '/^requires = /s/.*"\(.*\)".*/\1/p' pyproject.toml | lock deploy/build.lock "$@" -
