#!/usr/bin/env bash
# The program serving, on loopback, with real signatures: one phone's 60 visits, then N phones at once (default 200), each
# with 60 visits of its own day and a photo; and how long a person at a desk waits for a page meanwhile.
#   bench/server/run.sh [N]
set -euo pipefail
# shellcheck source=scripts/lib.sh
. "$(dirname "${BASH_SOURCE[0]}")/../../scripts/lib.sh"
cd "$EARLYWOOD_ROOT"
need_web_app
cargo build --quiet --release -p earlywood
earlywood="$(cargo_target_dir)/release/earlywood"
if [ -z "${PYTHON:-}" ]; then
  need_python_packages
  "$PYTHON" -m pip install --quiet --disable-pip-version-check -r bench/server/requirements.txt
fi
exec "$PYTHON" bench/server/phones.py "$earlywood" "${1:-200}"
