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
for version in 3.11 3.12 3.13; do
    if "python$version" -c 'import sys, venv, ensurepip, sqlite3, ssl' >/dev/null 2>&1; then
        pythons="$pythons python$version"
    fi
done
if [ -z "$pythons" ] && python3 -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
    pythons=python3
fi
if [ -z "$pythons" ]; then
    echo "tests/run.sh: no Python 3.11 or later with venv was found." >&2
    echo "Debian and Ubuntu: apt-get install python3 python3-venv" >&2
    exit 2
fi

first=yes
for python in $pythons; do
    venv="$venvs/$python"
    say "$python: environment"
    [ -x "$venv/bin/python" ] || "$python" -m venv "$venv"
    "$venv/bin/python" -m pip install -q --disable-pip-version-check -e '.[dev]'
    if [ "$first" = yes ]; then
        first=no
        say "ruff";            "$venv/bin/ruff" check .
        say "mypy --strict";   "$venv/bin/mypy" agent tests
        say "layers";          "$venv/bin/lint-imports"
        say "$python: tests"
        if [ $# -gt 0 ]; then
            exec "$venv/bin/python" -m pytest -q "$@"
        fi
        "$venv/bin/python" -m pytest -q --cov --cov-report=
        say "branch coverage of the pure layers, at least 95 %"
        "$venv/bin/python" -m coverage report --fail-under=95 --skip-covered --include='*/mendwatch/parsers/*,*/mendwatch/tracker/*,*/mendwatch/forecaster/*,*/mendwatch/diagnosis/*,*/mendwatch/policy/*,*/mendwatch/cycle.py,*/mendwatch/reports/*,*/mendwatch/settings/*,*/mendwatch/model/*,*/mendwatch/simulator/*'
    else
        say "$python: the core, the agent as a process, and the demo"
        "$venv/bin/python" -m pytest -q -m 'not slow' tests/unit tests/contract tests/replay \
            tests/edge/test_daemon_run.py tests/edge/test_demo.py tests/edge/test_run.py tests/edge/test_recording.py
    fi
done
say "all passed"
