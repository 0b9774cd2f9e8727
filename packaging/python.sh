# Sourced by install.sh and try.sh: finds a Python that can run the agent and make an environment for it.
# Sets $python, or says what to install and ends.

find_python() {
    python='' lacking=''
    for candidate in ${MENDWATCH_PYTHON:-python3.13 python3.12 python3.11 python3}; do
        # A name on the PATH is not enough: it may be an old version, or a stand-in that starts nothing.
        "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1 || continue
        if "$candidate" -c 'import ensurepip, venv' >/dev/null 2>&1; then
            python=$candidate
            return 0
        fi
        lacking=${lacking:-$candidate}
    done
    if [ -n "$lacking" ]; then
        version=$("$lacking" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
        echo "$0: $lacking cannot make an environment: its venv module is not installed." >&2
        echo "On Debian and Ubuntu, as root:  apt-get install python3-venv   (or python$version-venv)" >&2
    else
        echo "$0: no Python 3.11, 3.12 or 3.13 was found." >&2
        echo "On Debian 12 or 13 and Ubuntu 24.04, as root:  apt-get install python3 python3-venv" >&2
        echo "Elsewhere, install one and name it:  MENDWATCH_PYTHON=/path/to/python3.12 sh $0" >&2
    fi
    exit 1
}

# make_environment DIRECTORY REQUIREMENT: an environment of its own, nothing of the system's Python is touched.
make_environment() {
    find_python
    # An environment that was made by a Python which has since been replaced no longer starts: make it anew.
    if ! "$1/bin/python" -c 'import pip' >/dev/null 2>&1; then
        "$python" -m venv --clear "$1"
    fi
    "$1/bin/python" -m pip install --quiet --disable-pip-version-check --upgrade "$2"
}
