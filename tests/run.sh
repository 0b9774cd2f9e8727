#!/bin/sh
# Sets everything up and passes the tests: linter, types, layers, then all tests under the first Python at hand,
# and the core, the agent and the demo under the others.
#   sh tests/run.sh            all of it
#   sh tests/run.sh -k story   further arguments go to pytest, under the first Python only
# MENDWATCH_TEST_VENVS names another folder for the environments (default: .venv-test in the checkout).
set -eu
cd "$(dirname "$0")/.."

say() { printf '\n== %s\n' "$*"; }
venvs=${MENDWATCH_TEST_VENVS:-.venv-test}

# System packages that some tests need. Without root or apt those tests are skipped, each with its reason.
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
    missing=
    command -v mkfs.btrfs >/dev/null 2>&1 || missing="$missing btrfs-progs"
    command -v systemd-analyze >/dev/null 2>&1 || missing="$missing systemd"
    command -v openssl >/dev/null 2>&1 || missing="$missing openssl"
    command -v losetup >/dev/null 2>&1 || missing="$missing mount"
    python3 -c 'import ensurepip, venv' >/dev/null 2>&1 || missing="$missing python3-venv"
    if [ -n "$missing" ]; then
        say "system packages:$missing"
        export DEBIAN_FRONTEND=noninteractive
        apt-get update -qq || true
        # shellcheck disable=SC2086 # a list of words
        apt-get install -y -qq --no-install-recommends $missing >/dev/null || echo "not all could be installed"
    fi
fi

pythons=
# A version may be on the PATH, or be one of several that a version switcher keeps in the home folder.
at_hand() {
    for candidate in "python$1" "${PYENV_ROOT:-$HOME/.pyenv}/versions/$1".*/bin/python; do
        if "$candidate" -c 'import venv, ensurepip, sqlite3, ssl' >/dev/null 2>&1; then
            echo "$candidate"
            return
        fi
    done
}
for version in 3.11 3.12 3.13; do
    [ -z "$(at_hand "$version")" ] || pythons="$pythons python$version"
done
if [ -z "$pythons" ] && python3 -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
    pythons=python3
fi
if [ -z "$pythons" ]; then
    echo "tests/run.sh: no Python 3.11 or later with venv was found." >&2
    echo "Debian and Ubuntu: apt-get install python3 python3-venv" >&2
    exit 2
fi

environment() {
    program=$(at_hand "${1#python}")
    [ -x "$venvs/$1/bin/python" ] || "${program:-$1}" -m venv "$venvs/$1"
    "$venvs/$1/bin/python" -m pip install -q --disable-pip-version-check -e '.[dev]'
}

# shellcheck disable=SC2086 # a list of words
set -- "$(echo $pythons | cut -d' ' -f1)" "$@"
first=$1
shift
bin=$venvs/$first/bin
say "$first: environment"
environment "$first"
say "ruff";            "$bin/ruff" check .
                       "$bin/ruff" format --check .
say "mypy --strict";   "$bin/mypy" agent tests
say "layers";          "$bin/lint-imports"
say "$first: tests"
if [ $# -gt 0 ]; then
    exec "$bin/python" -m pytest -q "$@"
fi

# The other Pythons go on beside the first one's tests, most of which wait for processes, servers and clocks.
others=
for python in $pythons; do
    [ "$python" = "$first" ] && continue
    (
        environment "$python"
        exec "$venvs/$python/bin/python" -m pytest -q -p no:cacheprovider -m 'not slow' \
            tests/unit tests/contract tests/replay \
            tests/edge/test_daemon_run.py tests/edge/test_demo.py tests/edge/test_run.py tests/edge/test_recording.py
    ) >"$venvs/$python.log" 2>&1 &
    others="$others $python:$!"
done
# For the same reason the first one's go in three parts side by side.
part() {
    name=$1
    shift
    COVERAGE_FILE=.coverage.$name "$bin/python" -m pytest -q -p no:cacheprovider --cov --cov-report= "$@" \
        >"$venvs/$name.log" 2>&1
}
failed=
part edge-1 tests/edge/test_[a-h]*.py & edge_1=$!
part edge-2 tests/edge/test_[i-z]*.py & edge_2=$!
part rest --ignore=tests/edge & rest=$!
for one in "edge-1:$edge_1" "edge-2:$edge_2" "rest:$rest"; do
    wait "${one#*:}" || failed="$failed $first:${one%%:*}"
    tail -n 40 "$venvs/${one%%:*}.log"
done
"$bin/python" -m coverage combine -q
for other in $others; do
    wait "${other#*:}" || failed="$failed ${other%%:*}"
    say "${other%%:*}: the core, the agent as a process, and the demo"
    grep -v '^WARNING: Location' "$venvs/${other%%:*}.log" | tail -n 40
done
if [ -n "$failed" ]; then
    say "failed:" "$failed"
    exit 1
fi
say "branch coverage of the pure layers, at least 95 %"
pure=
for part in parsers tracker forecaster diagnosis policy reports settings model simulator; do
    pure="$pure*/mendwatch/$part/*,"
done
"$bin/python" -m coverage report --fail-under=95 --skip-covered --include="$pure*/mendwatch/cycle.py"
say "all passed"
