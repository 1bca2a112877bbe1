# Shared by demos/start and tests/run: finds a Python. What is done with it stands in demos/start.py.

fail() {
    printf '%s\n' "$*" >&2
    exit 1
}

# The first that is new enough, else the first that there is: demos/start.py then says what is missing.
find_python() {
    found=""
    for candidate in "${PYTHON:-}" python3 python3.14 python3.13 python3.12 python3.11 python; do
        [ -n "$candidate" ] && command -v "$candidate" >/dev/null 2>&1 || continue
        found="${found:-$candidate}"
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            printf '%s\n' "$candidate"
            return 0
        fi
    done
    [ -n "$found" ] || fail "Python 3.11 or newer is needed and was not found. Install it, or name it: PYTHON=/path/to/python $0"
    printf '%s\n' "$found"
}
