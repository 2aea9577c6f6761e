#!/bin/sh
# Make the virtual environment .venv and put the package with its extras into it.
# Usage: tools/venv.sh PYTHON EXTRAS STAMP       (run from the top folder of the checkout)
set -eu
python=$1 extras=$2 stamp=$3

say() { printf '%s\n' "$*"; }

if ! command -v "$python" >/dev/null 2>&1; then
    say "No '$python' here: install Python 3.11 or newer, or say which one to use: make PYTHON=/path/to/python3" >&2
    exit 2
fi
if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
    say "Python 3.11 or newer is needed and '$python' is $("$python" -V 2>&1): say which one to use: make PYTHON=/path/to/python3" >&2
    exit 2
fi

# A folder that was moved or copied still points to the old place, and a removed Python leaves
# dead links: both are made anew. The stamp's name holds the place.
place=$(basename "$stamp" | sed 's/^.*-//')
if [ -d .venv ]; then
    if ! .venv/bin/python -c '' 2>/dev/null || [ ! -f ".venv/place-$place" ]; then
        say "The virtual environment .venv belongs to another folder or Python: making it anew"
        rm -rf .venv
    fi
fi
if [ ! -d .venv ]; then
    if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
        say "This Python comes without ensurepip, so no virtual environment can be made: install it (Debian: apt-get install python3-venv) and run make again" >&2
        exit 2
    fi
    say "Making the virtual environment .venv"
    "$python" -m venv .venv
    : >".venv/place-$place"
fi
say "Installing knobwright[$extras] (from the package registry, once)"
.venv/bin/python -m pip install -qq --disable-pip-version-check -e ".[$extras]"
# Byte code as an installed package has it, also where PYTHONDONTWRITEBYTECODE is set: commands start
# in half the time.
.venv/bin/python -m compileall -q src
: >"$stamp"
