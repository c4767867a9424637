#!/bin/sh
# Make the virtual environment from the hash-pinned locks: setup.sh VENV runtime|development
# PYTHON names an interpreter; without it the newest suitable one is taken.
set -eu

venv=$1
kind=$2

say() {
    echo "$*" >&2
    exit 2
}

suits() {
    "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1
}

find_python() {
    if [ -n "${PYTHON:-}" ]; then
        suits "$PYTHON" || say "PYTHON=$PYTHON is not a Python 3.11 or newer."
        return
    fi
    for PYTHON in python3.13 python3.12 python3.11 python3; do
        if suits "$PYTHON"; then return; fi
    done
    say "Holdfast needs Python 3.11 or newer and found none: install one, or run make PYTHON=/path/to/python3."
}

make_venv() {
    find_python
    "$PYTHON" -c 'import venv, ensurepip' >/dev/null 2>&1 || say \
        "$PYTHON lacks its venv module: install it (Debian and Ubuntu: apt-get install python3-venv) and run make again."
    echo "Making $venv with $("$PYTHON" --version)"
    "$PYTHON" -m venv --clear "$venv"
}

# uv is some ten times as fast; pip does the same where uv does not run, or cannot reach what pip is set up for.
# Compiled at once: the processes start twice as fast, also where Python may not write beside its sources.
install() {
    "$venv/bin/uv" pip install --quiet --compile-bytecode --python "$venv/bin/python" "$@" ||
        "$venv/bin/python" -m pip install --quiet --disable-pip-version-check "$@"
}

case $kind in
runtime)
    suits "$venv/bin/python" || make_venv
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check \
        --require-hashes -r requirements/build.txt
    echo "Installing what Holdfast runs on"
    install --require-hashes -r requirements/runtime.txt
    install --no-build-isolation --no-deps --editable .
    "$venv/bin/python" -m compileall -q physics model store ingest analytics desk api simulator ops
    # Compiled once here, so that the first start need not.
    "$venv/bin/python" -c "from ops.rooms import warm; warm()"
    ;;
development)
    echo "Installing what tests and checks need"
    install --require-hashes -r requirements/development.txt
    # TimescaleDB, AsyncAPI's schema, MicroPython and axe for tests; without npm those tests say so and are skipped.
    if command -v npm >/dev/null 2>&1; then
        for folder in tests/timescale tests/contract tests/browser; do
            npm ci --silent --no-audit --no-fund --prefix "$folder" ||
                echo "npm could not install what $folder needs; its tests will be skipped." >&2
        done
    fi
    ;;
esac
