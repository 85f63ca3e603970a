#!/bin/sh
# Everything that judges this project, in one command: sh tests/run.sh [--long] [pytest arguments]
# On a fresh Debian or Ubuntu it first installs what the tests need: a .venv beside this folder, mosquitto, ngspice,
# pdftotext, PostgreSQL, an emulator of a small controller board with its firmware, and node with a second build of MicroPython.
# Exit codes: 0 all held, 1 something did not, 2 something is missing and this user may not install it.
set -eu

cd "$(dirname "$0")/.."
PATH="$PATH:/usr/sbin:/sbin"
DEBIAN_FRONTEND=noninteractive
PIP_DISABLE_PIP_VERSION_CHECK=1
PIP_ROOT_USER_ACTION=ignore
CI=true # what is installed here must be there: a test that skips for want of a program fails the run
export PATH DEBIAN_FRONTEND PIP_DISABLE_PIP_VERSION_CHECK PIP_ROOT_USER_ACTION CI

started=$(date +%s)

report() {
    code=$?
    spent=$(($(date +%s) - started))
    if [ "$code" -eq 0 ]; then
        echo "tests/run.sh: everything held, in $spent s." >&2
    else
        echo "tests/run.sh: FAILED (exit $code) after $spent s." >&2
    fi
}
trap report EXIT
trap 'exit 130' INT
trap 'exit 143' TERM

step() {
    echo "== $*" >&2
}

# A Python that is new enough, the newest first.
find_python() {
    for candidate in python3.14 python3.13 python3.12 python3.11 python3; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$candidate"
            return
        fi
    done
}

# Debian packages that are missing, on one line.
missing_packages() {
    command -v mosquitto >/dev/null 2>&1 || printf 'mosquitto '
    command -v ngspice >/dev/null 2>&1 || printf 'ngspice '
    command -v qemu-system-arm >/dev/null 2>&1 || printf 'qemu-system-arm '
    [ -e /usr/share/firmware-microbit-micropython/firmware.hex ] || printf 'firmware-microbit-micropython '
    command -v node >/dev/null 2>&1 || printf 'nodejs '
    command -v npm >/dev/null 2>&1 || printf 'npm '
    command -v pdftotext >/dev/null 2>&1 || printf 'poppler-utils '
    [ -n "$(find /usr/lib/postgresql -name initdb 2>/dev/null)" ] || command -v initdb >/dev/null 2>&1 || printf 'postgresql '
    if [ ! -x .venv/bin/python ]; then
        python=$(find_python)
        if [ -z "$python" ]; then
            printf 'python3 python3-venv '
        elif ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
            printf '%s-venv ' "$python"
        fi
    fi
}

install_packages() {
    # shellcheck disable=SC2086 # the list is words on purpose
    if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null 2>&1; then
        step "apt-get install $1"
        apt-get update -qq
        apt-get install -y -qq --no-install-recommends $1 >/dev/null
    else
        echo "These programs are missing; run this line, then start the tests again:" >&2
        echo "    sudo apt-get update && sudo apt-get install -y --no-install-recommends $1" >&2
        exit 2
    fi
}

packages=$(missing_packages)
if [ -n "$packages" ]; then
    install_packages "${packages% }"
fi

python=$(find_python)
if [ ! -x .venv/bin/python ] && [ -z "$python" ]; then
    echo "Python 3.11 or newer is needed, and this system's packages hold none. Install one, then start the tests again." >&2
    exit 2
fi

step "environment in .venv"
if [ ! -x .venv/bin/python ]; then
    "$python" -m venv .venv
fi
.venv/bin/python -m pip install --quiet --upgrade 'pip>=25.1'
.venv/bin/python -m pip install --quiet --editable '.[virtual,broker,postgresql]' --group dev
PATH="$PWD/.venv/bin:$PATH"
export PATH
if [ ! -d .venv/node/node_modules/@micropython ]; then
    step "a second MicroPython, for node"
    npm install --silent --no-audit --no-fund --prefix .venv/node @micropython/micropython-webassembly-pyscript@1.27.0 >/dev/null
fi

# All three are run even when one fails, so that one look shows everything.
failed=""
check() {
    name=$1
    shift
    step "$name"
    "$@" || failed="$failed $name"
}

check ruff python -m ruff check .
check mypy python -m mypy
# Most tests wait for something: three at a time keep two cores busy. A file's tests stay together, as they share what they start.
check pytest python -m pytest -n 3 --dist loadfile --no-loadscope-reorder "$@"

if [ -n "$failed" ]; then
    echo "tests/run.sh: did not hold:$failed" >&2
    exit 1
fi
