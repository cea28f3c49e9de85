#!/bin/sh
# Makes a release of what is committed: looks everything over, builds the wheel and the source
# archive into dist/, tries both, and sets the tag. Nothing is sent anywhere.
#
#   sh deploy/release.sh 0.5.0           the version that pyproject.toml has
#   sh deploy/release.sh --check 0.5.0   all but the tag
#
# Needs git and a Python with build, hatchling and twine: the tests' own has them. Set PYTHON to
# another one.
set -eu
here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
top=$(dirname -- "$here")
cd "$top"

say() { printf '%s\n' "$*"; }
give_up() {
  printf 'No release: %s\n' "$*" >&2
  exit 2
}

only_check=""
if [ "${1-}" = --check ]; then
  only_check=yes
  shift
fi
[ $# -eq 1 ] || give_up "name the version, as in: sh deploy/release.sh 0.5.0"
version=$1
python=${PYTHON:-tests/.venv/bin/python}
"$python" -c 'import build, hatchling, twine' 2>/dev/null ||
  give_up "$python lacks build, hatchling or twine. Run sh tests/run.sh lint, or set PYTHON."

# --- what a release has to have --------------------------------------------------------------------
said=$(sed -n 's/^version = "\(.*\)"$/\1/p' pyproject.toml)
[ "$said" = "$version" ] || give_up "pyproject.toml has version $said, not $version. Set it there."
[ -z "$(git status --porcelain)" ] || give_up "something is not committed. See git status."
if git rev-parse -q --verify "refs/tags/$version" >/dev/null; then
  give_up "there is a tag $version already. Take the next number."
fi
grep -qx "## $version" CHANGELOG.md ||
  give_up "CHANGELOG.md has no line '## $version'. Move what is under Unreleased there."
left=$(sed -n '/^## Unreleased$/,/^## [0-9]/{/^## /d;/^$/d;p;}' CHANGELOG.md)
[ -z "$left" ] || give_up "CHANGELOG.md has something under Unreleased. Move it under $version."
for file in record.db read.json; do
  [ -f "tests/store/kept/$version/$file" ] ||
    give_up "tests/store/kept/$version/$file is missing. Keep a small record that $version wrote."
done

# --- build -----------------------------------------------------------------------------------------
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct)
export SOURCE_DATE_EPOCH
rm -rf dist
say "Building $version from $(git rev-parse --short HEAD) into dist/."
"$python" -m build --no-isolation --outdir dist . >/dev/null || give_up "it could not be built."
"$python" -m twine check --strict dist/* || give_up "what was built would be refused by an index."

# --- try each as somebody would who installs it ------------------------------------------------------
tried=$(mktemp -d)
trap 'rm -rf "$tried"' EXIT
for built in "dist/longsoak-$version-py3-none-any.whl" "dist/longsoak-$version.tar.gz"; do
  say "Installing $built and asking it for its version."
  "$python" -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation \
    --target "$tried/${built##*.}" "$built" || give_up "$built can't be installed."
  answer=$(PYTHONPATH="$tried/${built##*.}" "$tried/${built##*.}/bin/longsoak" --version) ||
    give_up "$built does not run."
  case $answer in
    *"$version"*) ;;
    *) give_up "$built says it is: $answer" ;;
  esac
done
# Sums are checked where the files lie.
(cd dist && sha256sum ./*.whl ./*.tar.gz | sed 's|\./||' >SHA256SUMS && cat SHA256SUMS)

if [ -n "$only_check" ]; then
  say "All is well; no tag was set."
  exit 0
fi
git tag -a "$version" -m "Longsoak $version"
say "Tagged $version. Send it on with: git push origin $version"
