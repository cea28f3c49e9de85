#!/bin/sh
# Makes a folder from which install.sh installs Longsoak without a network: for a stick.
#
#   sh deploy/bundle.sh OUT                  for Debian 12 and 13, on arm64 (Raspberry Pi) and amd64
#   sh deploy/bundle.sh OUT 13-arm64 ...     only for these
#
# Has to be run with a network, on a Debian whose Python has its venv module; it needs no root. In
# it are the wheels, held to requirements.lock, Debian's packages of Python for a computer that
# lacks them, install.sh with what it copies, and SHA256SUMS, which install.sh compares first.
set -eu

here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
root=$(dirname -- "$here")

say() { printf '%s\n' "$*"; }
give_up() {
    printf 'bundle.sh: %s\n' "$*" >&2
    exit 1
}

[ $# -ge 1 ] || give_up "expected a folder to make, such as /media/stick/longsoak."
case $1 in -*) give_up "expected a folder to make, not '$1'." ;; esac
out=$1
shift
[ $# -gt 0 ] || set -- 12-amd64 12-arm64 13-amd64 13-arm64
for target in "$@"; do
    case $target in
        12-amd64 | 12-arm64 | 13-amd64 | 13-arm64) ;;
        *) give_up "'$target' is none of 12-amd64, 12-arm64, 13-amd64 and 13-arm64." ;;
    esac
done
if [ -e "$out" ] && [ -n "$(ls -A "$out")" ]; then
    give_up "$out is there and not empty. Name a new folder, or empty it first."
fi
python3 -c 'import ensurepip, venv' 2>/dev/null ||
    give_up "python3 has no venv module. Install it: sudo apt-get install python3-venv"

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP
mkdir -p "$out/wheels"
out=$(CDPATH='' cd -- "$out" && pwd)

pip() {
    PIP_DISABLE_PIP_VERSION_CHECK=1 "$scratch/build/bin/python" -m pip "$@" >"$scratch/pip" 2>&1 || {
        tail -n 15 "$scratch/pip" >&2
        give_up "pip $1 failed, with what stands above. Look at the network, then run this again."
    }
}

# --- wheels ----------------------------------------------------------------------------------------

# pip asks the markers of a list of this computer's Python, whatever it is told to download for; so
# they are answered here: wanted VERSION MACHINE.
wanted() {
    "$scratch/build/bin/python" - "$here/requirements.lock" "$1" "$2" <<'END'
import sys
from pathlib import Path

from pip._vendor.packaging.markers import Marker

lock, version, machine = sys.argv[1:]
there = {
    "python_version": version, "python_full_version": f"{version}.2",
    "implementation_name": "cpython", "platform_python_implementation": "CPython",
    "sys_platform": "linux", "platform_system": "Linux", "os_name": "posix",
    "platform_machine": machine,
}
for entry in Path(lock).read_text().replace("\\\n", " ").splitlines():
    if entry.strip() and not entry.startswith("#"):
        name, *hashes = entry.split(" --hash=")
        name, _, marker = name.partition(";")
        if not marker or Marker(marker.strip()).evaluate(there):
            print(name.strip(), *(f"--hash={value.strip()}" for value in hashes))
END
}

# Every wheel that the release's C library can carry: wheels TARGET.
wheels() {
    case $1 in
        12-*) version=3.11 newest=36 ;;
        13-*) version=3.13 newest=41 ;;
    esac
    case $1 in
        *-amd64) machine=x86_64 ;;
        *-arm64) machine=aarch64 ;;
    esac
    say "Fetching the wheels for Debian $1 (Python $version)."
    wanted "$version" "$machine" >"$scratch/wanted"
    set -- --platform "linux_$machine" --platform "manylinux2014_$machine" \
        --platform "manylinux2010_$machine" --platform "manylinux1_$machine"
    minor=$newest
    while [ "$minor" -ge 5 ]; do
        set -- "$@" --platform "manylinux_2_${minor}_$machine"
        minor=$((minor - 1))
    done
    pip download --dest "$out/wheels" --no-deps --only-binary :all: --implementation cp \
        --python-version "$version" "$@" --require-hashes -r "$scratch/wanted"
}

# --- Debian's packages of Python -------------------------------------------------------------------

# Where this computer gets Debian from, for another release and processor: sources RELEASE.
sources() {
    # shellcheck source=/dev/null
    own=$(. /etc/os-release && printf '%s' "${VERSION_CODENAME:-}")
    # shellcheck disable=SC2016  # apt fills these in
    apt-get indextargets --format '$(ORIGIN) $(REPO_URI) $(RELEASE) $(COMPONENT)' \
        'Created-By: Packages' 2>/dev/null |
        awk -v own="$own" -v other="$1" '
            $1 == "Debian" && $4 == "main" && ($3 == own || $3 ~ "^" own "-(updates|security)$") {
                sub("^" own, other, $3)
                print "deb [signed-by=/usr/share/keyrings/debian-archive-keyring.gpg]", $2, $3, "main"
            }' | sort -u
}

# Everything python3-venv leans on, as apt works it out for a computer that has nothing; apt on the
# computer itself then takes what that lacks: debs TARGET.
debs() {
    case $1 in
        12-*) release=bookworm ;;
        13-*) release=trixie ;;
    esac
    say "Fetching Debian's packages of Python for Debian $1."
    place=$scratch/apt-$1
    mkdir -p "$place/lists/partial" "$place/archives/partial"
    : >"$place/status"
    sources "$release" >"$place/sources.list"
    [ -s "$place/sources.list" ] || {
        say "  apt knows no source of Debian here. Is this a Debian, and was 'apt-get update' run?"
        return 1
    }
    for step in "update -q" "install -qy --no-install-recommends --download-only python3-venv"; do
        # shellcheck disable=SC2086  # words, on purpose
        apt-get $step -o APT::Architecture="${1#*-}" -o APT::Architectures="${1#*-}" \
            -o Dir::Etc::SourceList="$place/sources.list" -o Dir::Etc::SourceParts=- \
            -o Dir::State="$place" -o Dir::State::Lists="$place/lists" \
            -o Dir::State::status="$place/status" -o Dir::Cache="$place" \
            -o Dir::Cache::archives="$place/archives" -o Debug::NoLocking=1 \
            -o APT::Keep-Downloaded-Packages=1 -o APT::Get::List-Cleanup=0 \
            >"$scratch/apt" 2>&1 || {
            tail -n 5 "$scratch/apt"
            return 1
        }
    done
    mkdir -p "$out/debs/$1"
    for deb in "$place"/archives/*.deb; do
        # A colon, or what stands for one, is more than some file systems and addresses take.
        name=$(basename "$deb" | sed 's/%3a/-/')
        cp "$deb" "$out/debs/$1/$name"
        dpkg-deb --field "$deb"
        printf 'Filename: ./%s\nSize: %s\nSHA256: %s\n\n' "$name" "$(wc -c <"$deb")" \
            "$(sha256sum <"$deb" | cut -d ' ' -f 1)"
    done >"$out/debs/$1/Packages"
}

# ---------------------------------------------------------------------------------------------------

say "Building Longsoak from $root."
python3 -m venv "$scratch/build"
pip install --only-binary :all: --require-hashes -r "$here/build.lock"
pip wheel --no-deps --no-build-isolation --wheel-dir "$out/wheels" "$root"
for target in "$@"; do wheels "$target"; done
without=""
for target in "$@"; do
    debs "$target" || without="$without $target"
done

cp "$here/install.sh" "$here/requirements.lock" "$here"/60-longsoak* \
    "$here"/*.service "$here"/*.timer "$here/HANDBOOK.md" "$root/LICENSE" "$root/README.md" "$out"
cat >"$out/READ-ME-FIRST.txt" <<END
Longsoak for Debian or Raspberry Pi OS, without a network. Made for: $*
On the computer that is to measure, in this folder:

    sudo sh install.sh

The same brings an older Longsoak up to date. HANDBOOK.md goes on from there, and README.md tells the rest.
END
(cd "$out" && find . -type f -exec sha256sum {} + | LC_ALL=C sort -k 2 >"$scratch/sums")
cp "$scratch/sums" "$out/SHA256SUMS"

say "$out is ready: $(du -sm "$out" | cut -f 1) MB. Copy it whole."
if [ -n "$without" ]; then
    say "Caution: without Debian's packages of Python for$without, with what stands above. A computer that"
    say "lacks python3-venv needs a network then, for: apt-get install python3-venv"
fi
