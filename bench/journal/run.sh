#!/usr/bin/env bash
# The journal: appends beside plain SQLite and a plain fsync of as many bytes, then a programme of many seasons: open,
# questions, verify, rebuild. `run.sh large` makes the one of 5 million visits (25 000 traps, ten seasons; a quarter of an
# hour, 6 GB in target/bench). The workspace's one profile, like the tests and the demo.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
cargo build --quiet -p earlywood-journal --example seasons
target="${CARGO_TARGET_DIR:-target}"
seasons="$target/debug/examples/seasons"
mkdir -p "$target/bench"
work="$(mktemp -d "$target/bench/journal.XXXXXX")"
trap 'rm -rf "$work"' EXIT
traps=2500 years=2
[ "${1:-}" != large ] || { traps=25000 years=10; }
"$seasons" appends "$work"
file="$work/seasons.earlywood"
"$seasons" build "$file" "$traps" "$years"
"$seasons" open "$file"
"$seasons" verify "$file"
"$seasons" rebuild "$file"
