#!/usr/bin/env bash
# Roads: a real extract read, contracted and asked for an N x N table of drives, beside networkx and scipy (csgraph) on the graph
# that tests/python/test_roads.py builds from the same file by the documented rules. The same crossings, the same minutes; every
# drive of the table must agree. Usage: run.sh [N] (default 300). The workspace's one profile, like the tests and the demo.
set -euo pipefail
# shellcheck source=scripts/lib.sh
. "$(dirname "${BASH_SOURCE[0]}")/../../scripts/lib.sh"
cd "$EARLYWOOD_ROOT"
PYTHON="${PYTHON:-.venv/bin/python}"
need_extract
cargo build --quiet --workspace --example roads_table
ours="$(cargo_target_dir)/debug/examples/roads_table"
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
"$PYTHON" bench/roads/peer.py "$EARLYWOOD_EXTRACT" "${1:-300}" "$work" "$ours"
