# Sourced by ci/demo and ci/test: creates the environment in .venv when it is missing or out of date, and puts its
# programs first on the PATH. Needs a shell and Python 3.11 or newer.
# A stamp of interpreter, pyproject.toml and locks makes later calls fast.

cd "$(dirname "$0")/.." || exit 2

find_python() {
    for name in ${PYTHON:-} python3.14 python3.13 python3.12 python3.11 python3 python; do
        # A version manager's shim may exist and still fail: run it.
        if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$name"
            return
        fi
    done
    echo "lostlink needs Python 3.11 or newer; none was found on the PATH (set PYTHON to name one)." >&2
    return 1
}

python=$(find_python) || exit 2
stamp=$("$python" -c '
import hashlib, pathlib, sys
wanted = sys.version + "".join(pathlib.Path(name).read_text() for name in sys.argv[1:])
print(hashlib.sha256(wanted.encode()).hexdigest())' pyproject.toml ci/requirements.lock ci/mutator.lock) || exit 2

if [ "$(cat .venv/lostlink-stamp 2>/dev/null)" != "$stamp" ]; then
    # mkdir succeeds in only one of two scripts that start together.
    tries=0
    until mkdir .venv.lock 2>/dev/null; do
        tries=$((tries + 1))
        if [ "$tries" -gt 300 ]; then
            echo "another set-up seems to be running; if not, remove the folder .venv.lock" >&2
            exit 2
        fi
        sleep 1
    done
    trap 'rmdir .venv.lock 2>/dev/null' EXIT
    trap 'exit 130' INT TERM
    if [ "$(cat .venv/lostlink-stamp 2>/dev/null)" != "$stamp" ]; then
        echo "setting up .venv with $("$python" --version) (once; less than a minute)" >&2
        rm -rf .venv
        if ! "$python" -m venv .venv; then
            echo "the module venv is missing; on some systems it is a separate package (python3-venv)" >&2
            exit 2
        fi
        # Modules are compiled when they are first imported: most never are.
        .venv/bin/python -m pip install --quiet --no-compile --disable-pip-version-check --require-hashes \
            -r ci/requirements.lock || exit 2
        .venv/bin/python -m pip install --quiet --no-compile --disable-pip-version-check --require-hashes --no-deps \
            -r ci/mutator.lock || exit 2
        .venv/bin/python -m pip install --quiet --no-compile --disable-pip-version-check --no-deps \
            --no-build-isolation --editable . || exit 2
        echo "$stamp" > .venv/lostlink-stamp
    fi
    rmdir .venv.lock
    trap - EXIT INT TERM
fi
PATH="$PWD/.venv/bin:$PATH"
export PATH
