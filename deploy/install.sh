#!/bin/sh
# Installs Longsoak on Raspberry Pi OS or Debian 12 or 13 (64 bit), or brings it up to date.
#
#   sudo sh deploy/install.sh               install, or bring up to date; safe to run again
#   sudo sh deploy/install.sh --uninstall   take it away again; record and rig file stay
#
# From a folder that bundle.sh made, on a stick for example, it does without a network:
#   sudo sh install.sh
#
# What it makes: a virtual environment under /opt/longsoak, whose packages are held to
# requirements.lock; the command /usr/local/bin/longsoak; a user and group "longsoak";
# /var/lib/longsoak for rig file and record, /etc/longsoak for secrets; systemd units; udev rules;
# a small journal. What its owner changed in /etc is left as it is.
set -eu

here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
root=$(dirname -- "$here")

user=longsoak
groups="dialout i2c gpio"
home=/var/lib/longsoak
secrets=/etc/longsoak
rig=$home/rig.toml
example=$home/first-rig.toml
base=/opt/longsoak
command=/usr/local/bin/longsoak
noted=$base/files # what was put into /etc, with checksums
units=/etc/systemd/system
started="longsoak.service longsoak-pages.service"
room=700 # MB: an environment, and what its making needs for a while

changed=0
made=""

say() { printf '%s\n' "$*"; }
did() {
    changed=1
    say "- $*"
}
give_up() {
    printf 'install.sh: %s\n' "$*" >&2
    exit 1
}

# A half-made environment is of no use to anybody.
clear_away() {
    [ -z "$made" ] || rm -rf "$made"
    [ -z "${scratch:-}" ] || rm -rf "$scratch"
}
trap clear_away EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP

as_user() { runuser -u "$user" -- "$@"; }
systemd_runs() { [ -d /run/systemd/system ]; }
from_bundle() { [ -d "$here/wheels" ]; }
is_active() { systemd_runs && systemctl is-active --quiet "$1"; }
rig_is_good() { as_user "$1" check "$rig" >"$scratch/check" 2>&1; }

# --- what this computer has to be ------------------------------------------------------------------

check_computer() {
    [ -r /etc/os-release ] || give_up "this is no Debian: there is no /etc/os-release."
    # shellcheck source=/dev/null
    system=$(. /etc/os-release && printf '%s %s' "${ID:-}" "${VERSION_ID:-}")
    case $system in
        "debian 12" | "debian 13") ;;
        "raspbian "*) give_up "this is a 32-bit Raspberry Pi OS. Longsoak needs the 64-bit one." ;;
        *) give_up "this is '$system', and Longsoak needs Debian 12 or 13, or Raspberry Pi OS made from it." ;;
    esac
    architecture=$(dpkg --print-architecture)
    case $architecture in
        amd64 | arm64) ;;
        *) give_up "this is a system for $architecture, and Longsoak needs a 64-bit one: arm64 or amd64." ;;
    esac
    free=$(df -Pm "$base" | awk 'NR == 2 { print $4 }')
    [ "$free" -ge "$room" ] ||
        give_up "only $free MB are free at $base, and $room MB are needed. Make room there first."
}

check_bundle() {
    from_bundle || return 0
    [ -f "$here/SHA256SUMS" ] ||
        give_up "$here has wheels but no SHA256SUMS. Copy the whole folder that bundle.sh made."
    say "Comparing the files in $here with their checksums."
    (cd "$here" && sha256sum --check --strict --quiet SHA256SUMS) >"$scratch/sums" 2>&1 || {
        cat "$scratch/sums" >&2
        give_up "these files are missing or not as they were made. Copy the folder to the stick again."
    }
}

fits() {
    "$1" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] < (3, 14))' 2>/dev/null
}
has_venv() { "$1" -c 'import ensurepip, venv' 2>/dev/null; }

# Only the system's own: what lies in somebody's home may go away with them.
find_python() {
    python=/usr/bin/python3
    if [ -x "$python" ] && has_venv "$python"; then
        fits "$python" || give_up "$python is $($python --version), and Longsoak needs 3.11 to 3.13."
        return
    fi
    say "Python's venv module is missing; installing Debian's package python3-venv."
    export DEBIAN_FRONTEND=noninteractive
    if from_bundle; then
        install_from_debs
    else
        apt-get update -q >"$scratch/apt" 2>&1 ||
            say "  The list of packages could not be renewed; going on with the one there is."
        apt-get install -qy --no-install-recommends python3-venv >>"$scratch/apt" 2>&1 ||
            apt_failed "Look at the network and at /etc/apt, then try: apt-get install python3-venv"
    fi
    has_venv "$python" || give_up "$python has no venv module although python3-venv is installed."
    fits "$python" || give_up "$python is $($python --version), and Longsoak needs 3.11 to 3.13."
    did "installed python3-venv"
}

apt_failed() {
    tail -n 20 "$scratch/apt" >&2
    give_up "python3-venv could not be installed. $*"
}

# The folder is a small archive of its own, so apt takes of it only what this computer lacks.
install_from_debs() {
    # shellcheck source=/dev/null
    debs=$here/debs/$(. /etc/os-release && printf '%s' "$VERSION_ID")-$architecture
    [ -f "$debs/Packages" ] ||
        give_up "this folder has no Debian packages for this computer, which lacks python3-venv." \
            "Make it with bundle.sh on a Debian, or connect a network and run: apt-get install python3-venv"
    ln -s "$debs" "$scratch/debs" # apt takes no blanks in a path
    mkdir -p "$scratch/lists/partial"
    printf 'deb [trusted=yes] file:%s/debs ./\n' "$scratch" >"$scratch/sources.list"
    set -- -o Dir::Etc::SourceList="$scratch/sources.list" -o Dir::Etc::SourceParts=- \
        -o Dir::State::Lists="$scratch/lists" -o APT::Sandbox::User=root
    { apt-get update -q "$@" && apt-get install -qy --no-install-recommends "$@" python3-venv; } \
        >"$scratch/apt" 2>&1 ||
        apt_failed "With a network it may go: apt-get install python3-venv; then run this again."
}

# --- user, groups, folders -------------------------------------------------------------------------

make_user() {
    for group in $groups $user; do
        getent group "$group" >/dev/null && continue
        groupadd --system "$group"
        did "made the group $group"
    done
    if ! getent passwd "$user" >/dev/null; then
        useradd --system --gid "$user" --home-dir "$home" --no-create-home \
            --shell /usr/sbin/nologin "$user"
        did "made the user $user"
    fi
    for group in $groups; do
        case " $(id -nG "$user") " in
            *" $group "*) ;;
            *)
                usermod --append --groups "$group" "$user"
                did "gave the user $user the group $group"
                ;;
        esac
    done
}

# folder PATH OWNER:GROUP MODE
folder() {
    if [ "$(stat -c '%U:%G %a' "$1" 2>/dev/null || true)" != "$2 $3" ]; then
        mkdir -p "$1"
        chown "$2" "$1"
        chmod "$3" "$1"
        did "made the folder $1 ($2, mode $3)"
    fi
}

make_folders() {
    folder "$home" "$user:$user" 755
    folder "$secrets" "root:$user" 750
}


# --- the environment -------------------------------------------------------------------------------

# What an environment hangs on: what goes into it, and the Python it is made with.
fingerprint() {
    {
        "$python" -c 'import sys; print(sys.version_info[:2])'
        cat "$here/requirements.lock"
        if from_bundle; then
            cat "$here"/wheels/longsoak-*.whl
        else
            cd "$root"
            find daemon drivers dashboards demo pyproject.toml -type f \
                ! -path '*/__pycache__/*' ! -path 'demo/.venv/*' ! -path 'demo/rig/*' |
                LC_ALL=C sort | while read -r file; do sha256sum "$file"; done
        fi
    } | sha256sum | cut -c 1-12
}

pip_fails() {
    tail -n 15 "$scratch/pip" >&2
    if from_bundle; then
        give_up "$1 failed, with what stands above. Is the folder made for this Debian and computer?"
    fi
    give_up "$1 failed, with what stands above. Look at the network, then run this again."
}

# pip ENVIRONMENT COMMAND ARGUMENTS...: from the folder's wheels alone, if there are some.
pip() {
    environment=$1
    how=$2
    shift 2
    # A stick is slow and a card wears: nothing is kept twice, and /tmp may be memory.
    if from_bundle; then set -- --no-index --find-links "$here/wheels" "$@"; fi
    TMPDIR=$scratch PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_NO_CACHE_DIR=1 PIP_ROOT_USER_ACTION=ignore \
        "$environment/bin/python" -m pip "$how" --quiet "$@" >"$scratch/pip" 2>&1
}

# The wheel of this tree. What builds it is held to checksums too, and goes away afterwards.
build_wheel() {
    say "Building Longsoak from $root."
    "$python" -m venv "$scratch/build"
    pip "$scratch/build" install --only-binary :all: --require-hashes -r "$here/build.lock" ||
        pip_fails "Fetching what builds it"
    pip "$scratch/build" wheel --no-deps --no-build-isolation --wheel-dir "$scratch/wheel" "$root" ||
        pip_fails "Building it"
    wheel=$(echo "$scratch"/wheel/longsoak-*.whl)
}

make_environment() {
    wanted=$(fingerprint)
    current=$(readlink "$base/current" 2>/dev/null || true)
    if [ "$(cat "$base/$current/made-of" 2>/dev/null || true)" = "$wanted" ] &&
        "$base/$current/bin/longsoak" --version >/dev/null 2>&1; then
        return
    fi
    if from_bundle; then wheel=$(echo "$here"/wheels/longsoak-*.whl); else build_wheel; fi
    mkdir -p "$base/versions"
    new=versions/$wanted
    [ "$new" != "$current" ] || new=versions/$wanted-again # the one there is has suffered
    made=$base/$new
    rm -rf "$made"
    say "Making the environment in $made with $($python --version); this can take some minutes."
    "$python" -m venv "$made"
    pip "$made" install --only-binary :all: --require-hashes -r "$here/requirements.lock" ||
        pip_fails "Installing the packages"
    pip "$made" install --no-deps "$wheel" || pip_fails "Installing Longsoak"
    version=$("$made/bin/longsoak" --version) ||
        give_up "the new environment does not run: $made/bin/longsoak --version failed."
    keeps_the_rig
    printf '%s\n' "$wanted" >"$made/made-of"
    switch
}

# A version that refuses a rig file which the one before took would end the test that is under way.
keeps_the_rig() {
    [ -n "$current" ] && [ -e "$rig" ] && rig_is_good "$base/current/bin/longsoak" || return 0
    rig_is_good "$made/bin/longsoak" && return
    cat "$scratch/check" >&2
    give_up "$version refuses $rig, with what stands above, and the version before took it." \
        "That one stays in use and nothing was changed. Change the rig file, then run this again."
}

# In one step: whoever starts the command finds the old environment or the new one.
switch() {
    ln -sfn "$new" "$base/next"
    mv -T "$base/next" "$base/current"
    made=""
    # With these, $base itself is an environment to whoever calls its python or pip.
    for part in bin lib pyvenv.cfg; do
        [ -L "$base/$part" ] || ln -s "current/$part" "$base/$part"
    done
    switched=1
    if [ -n "$current" ]; then
        did "brought Longsoak up to date: $version"
    else
        did "installed $version"
    fi
}

link_command() {
    [ "$(readlink "$command" 2>/dev/null || true)" = "$base/bin/longsoak" ] && return
    [ ! -e "$command" ] || [ -L "$command" ] ||
        give_up "$command is there and not ours. Move it away, then run this again."
    mkdir -p "$(dirname "$command")"
    ln -sfn "$base/bin/longsoak" "$command"
    did "made the command $command"
}

# Not under the name that is measured by: what it names is made up.
make_first_rig_file() {
    if [ -e "$rig" ] || [ -e "$example" ]; then return; fi
    as_user "$base/bin/longsoak" new "$home" --template misted-panel --file-name "${example##*/}" \
        >"$scratch/new" 2>&1 || {
        cat "$scratch/new" >&2
        give_up "no first rig file could be written, with what stands above."
    }
    did "wrote a first rig file, to be made yours: $example"
}

# What is no longer in use, once the services run on the new one.
remove_old_environments() {
    for one in "$base"/versions/*; do
        [ -d "$one" ] || continue
        [ "$one" = "$base/$(readlink "$base/current")" ] || rm -rf "$one"
    done
}

# --- files in /etc ---------------------------------------------------------------------------------

sum_of() { sha256sum <"$1" | cut -d ' ' -f 1; }
noted_sum() { sed -n "s|^\([0-9a-f]*\)  $1\$|\1|p" "$noted" 2>/dev/null; }
note() {
    grep -v "  $1\$" "$noted" 2>/dev/null >"$scratch/files" || true
    printf '%s  %s\n' "$(sum_of "$1")" "$1" >>"$scratch/files"
    cp "$scratch/files" "$noted"
}

# put FROM TO: a copy, unless its owner has changed the one that is there.
put() {
    if [ -e "$2" ]; then
        cmp -s "$1" "$2" && {
            [ -n "$(noted_sum "$2")" ] || note "$2"
            return
        }
        if [ "$(sum_of "$2")" != "$(noted_sum "$2")" ]; then
            say "  You have changed $2, so it stays as it is. This version's: $1"
            return
        fi
    fi
    mkdir -p "$(dirname "$2")"
    install -m 644 "$1" "$2"
    note "$2"
    refreshed="$refreshed $2"
    did "wrote $2"
}

# Only what is not set elsewhere: a file of ours would win over /etc/systemd/journald.conf.
journal_file() {
    ours=$1
    cp "$here/60-longsoak-journal.conf" "$scratch/journal.conf"
    for key in SystemMaxUse SyncIntervalSec; do
        for file in /etc/systemd/journald.conf /etc/systemd/journald.conf.d/*.conf \
            /usr/local/lib/systemd/journald.conf.d/*.conf; do
            [ "$file" != "$ours" ] || continue
            if grep -qs "^ *$key *=" "$file"; then sed -i "/^$key=/d" "$scratch/journal.conf"; fi
        done
    done
    grep -q '=' "$scratch/journal.conf" || return 0
    put "$scratch/journal.conf" "$ours"
}

put_files() {
    refreshed=""
    put "$here/60-longsoak.rules" /etc/udev/rules.d/60-longsoak.rules
    journal_file /etc/systemd/journald.conf.d/60-longsoak.conf
    for unit in "$here"/*.service "$here"/*.timer; do put "$unit" "$units/${unit##*/}"; done
    case $refreshed in
        *"/udev/"*)
            if [ -S /run/udev/control ]; then
                udevadm control --reload
                udevadm trigger --subsystem-match=tty --subsystem-match=gpio --subsystem-match=i2c-dev
            fi
            ;;
    esac
    systemd_runs || return 0
    case $refreshed in *"/journald.conf.d/"*) systemctl try-restart systemd-journald.service ;; esac
    case $refreshed in *"$units/"*) systemctl daemon-reload ;; esac
}

# --- services --------------------------------------------------------------------------------------

enable_units() {
    for unit in $started; do
        link=$units/$(sed -n 's/^WantedBy=//p' "$units/$unit").wants/$unit
        [ -L "$link" ] && continue
        mkdir -p "$(dirname "$link")"
        ln -s "$units/$unit" "$link"
        did "enabled $unit"
        if systemd_runs; then systemctl daemon-reload; fi
    done
}

# Whatever runs goes on with what is new; a service that was stopped on purpose stays stopped.
restart_running() {
    for unit in $started; do
        is_active "$unit" || continue
        case "$switched $refreshed" in 1* | *"/$unit"*) ;; *) continue ;; esac
        say "Restarting $unit. If a new version has to bring a long record up to date, this takes a while."
        systemctl restart "$unit" ||
            give_up "$unit did not start. What it says: journalctl -u $unit -n 30"
        did "restarted $unit"
    done
}

say_how_to_begin() {
    say "  sudo -u $user longsoak check $rig"
    say "then: sudo systemctl start longsoak"
    say "and for the pages: sudo -u $user longsoak password $rig"
    say "                   sudo systemctl start longsoak-pages"
}

start_units() {
    if [ ! -e "$rig" ]; then
        say
        say "There is no rig file, so nothing is measured yet. Next, tell about your rig; it asks:"
        say "  sudo -u $user longsoak new $home"
        say "or change $example until it says what stands in the shop, and name it rig.toml."
        say "Then see that nothing is wrong with it:"
        say_how_to_begin
        return
    fi
    if ! rig_is_good "$base/bin/longsoak"; then
        say
        say "The rig file is not finished, so nothing is measured yet:"
        sed 's/^/  /' "$scratch/check"
        say
        say "Next: change $rig until this finds nothing more:"
        say_how_to_begin
        return
    fi
    if ! systemd_runs; then
        say "systemd does not run here; the services will start at the next boot."
        return
    fi
    for unit in $started; do
        is_active "$unit" && continue
        if [ "$unit" = longsoak-pages.service ] && [ ! -e "$home/pages-passwords.json" ]; then
            say "The pages wait for a password: sudo -u $user longsoak password $rig"
            say "then: sudo systemctl start longsoak-pages"
            continue
        fi
        # Started once by this script, then left to whoever stops it.
        [ "$first" = 1 ] || {
            say "$unit is stopped, and is left so. To start it: sudo systemctl start $unit"
            continue
        }
        systemctl start "$unit" ||
            give_up "$unit did not start. What it says: journalctl -u $unit -n 30"
        did "started $unit"
    done
}

# --- taking it away --------------------------------------------------------------------------------

uninstall() {
    if [ ! -e "$base/current" ] && [ ! -e "$noted" ]; then
        say "Longsoak is not installed here; nothing was changed."
        return
    fi
    for unit in $started; do
        if systemd_runs; then systemctl stop "$unit" || true; fi
        rm -f "$units"/*.wants/"$unit"
    done
    left=""
    cp "$noted" "$scratch/files" 2>/dev/null || : >"$scratch/files"
    while read -r sum file; do
        [ -e "$file" ] || continue
        if [ "$(sum_of "$file")" = "$sum" ]; then rm -f "$file"; else left="$left $file"; fi
    done <"$scratch/files"
    [ "$(readlink "$command" 2>/dev/null || true)" != "$base/bin/longsoak" ] || rm -f "$command"
    rm -rf "$base"
    if systemd_runs; then systemctl daemon-reload; fi
    if [ -S /run/udev/control ]; then udevadm control --reload; fi
    say "Longsoak is taken away. Left as they are:"
    say "  $home      the rig file, the record, photos and passwords of the pages"
    say "  $secrets          your secrets"
    say "  the user $user and its groups, to whom these belong"
    for file in $left; do say "  $file, which you had changed"; done
    say "Installing it again goes on with them. To do away with all of it, once its copy is safe elsewhere:"
    say "  sudo rm -r $home $secrets && sudo userdel $user"
}

# ---------------------------------------------------------------------------------------------------

what=install
case "$#:${1:-}" in
    0:) ;;
    1:--uninstall) what=uninstall ;;
    1:--help | 1:-h)
        sed -n '2,/^set -eu/{/^#/s/^# \{0,1\}//p}' "$0"
        exit 0
        ;;
    *) give_up "expected nothing, --uninstall or --help, not '$*'." ;;
esac
[ "$(id -u)" -eq 0 ] || give_up "this has to be run as root: sudo sh $0 $*"
exec 9>/run/longsoak-install.lock
flock -n 9 || give_up "another install.sh is at work. Wait until it has ended."

if [ "$what" = uninstall ]; then
    scratch=$(mktemp -d)
    uninstall
    exit 0
fi

mkdir -p "$base"
scratch=$(mktemp -d "$base/making.XXXXXX")
switched=0
first=1
[ ! -e "$base/current" ] || first=0
check_computer
check_bundle
find_python
if [ "$first" = 0 ] && [ -d "$home/record" ]; then
    say "A new version may bring the record up to date, and the one before can't read it then. A copy is"
    say "made by: sudo -u $user longsoak backup $rig FOLDER"
fi
make_user
make_folders
make_environment
link_command
make_first_rig_file
put_files
enable_units
restart_running
remove_old_environments
[ "$changed" = 1 ] || say "Everything is as it should be; nothing was changed."
start_units
