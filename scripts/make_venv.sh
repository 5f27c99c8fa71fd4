#!/bin/sh
# Make .venv with the given Python and a pip that knows dependency groups; on Debian bring the venv module if it lacks.
set -eu
python=${1:-python3}
if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
    echo "gaswitness needs Python 3.11 or newer; '$python' is not. Call: make PY=/path/to/python3.11 ..." >&2
    exit 2
fi
if ! "$python" -m venv .venv 2>/dev/null; then
    if command -v apt-get >/dev/null && [ "$(id -u)" = 0 ]; then
        apt-get update -qq && apt-get install -y -qq python3-venv >/dev/null
        "$python" -m venv --clear .venv
    else
        echo "'$python -m venv' failed; on Debian: apt-get install python3-venv" >&2
        exit 2
    fi
fi
.venv/bin/python -m pip install --quiet --upgrade 'pip>=25.1'
