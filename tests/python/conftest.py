"""The harness of the cross-check: runs the built program and hands tests a random generator whose seed is printed.

EARLYWOOD_BIN names the program (scripts/test sets it; else target/debug/earlywood is used). EARLYWOOD_SEED repeats a
run: every test's seed is derived from it and from the test's name, so one test alone sees the same inputs.
"""

import json
import os
import pathlib
import secrets
import subprocess
import zlib

import numpy as np
import pytest

ROOT = pathlib.Path(__file__).resolve().parents[2]
SEED = int(os.environ.get("EARLYWOOD_SEED") or secrets.randbelow(2**32))


def pytest_report_header(config):
    return f"earlywood seed: {SEED} (EARLYWOOD_SEED={SEED} repeats this run)"


def pytest_terminal_summary(terminalreporter):
    # Printed also under -q, which drops the header.
    terminalreporter.write_line(f"earlywood seed: {SEED} (EARLYWOOD_SEED={SEED} repeats this run)")


def program():
    """The program under test."""
    named = os.environ.get("EARLYWOOD_BIN")
    path = pathlib.Path(named) if named else pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "debug/earlywood"
    if not os.access(path, os.X_OK):
        pytest.exit(f"no program at {path}: build it, or set EARLYWOOD_BIN", returncode=3)
    return str(path)


class Earlywood:
    """Calls `earlywood calc`."""

    def __init__(self):
        self.path = program()

    def run(self, *arguments, stdin=""):
        """The finished process, whatever its exit code."""
        return subprocess.run([self.path, *map(str, arguments)], input=stdin, capture_output=True, text=True, timeout=120,
                              check=False)

    def calc(self, topic, *options, rows=None, header=None, stdin=None):
        """The JSON answer of one topic. Rows, with their header, go to standard input as CSV at full precision."""
        if stdin is None:
            stdin = ""
            if rows is not None:
                stdin = header + "\n" + "".join(",".join(cell(value) for value in row) + "\n" for row in rows)
        done = self.run("calc", topic, *options, stdin=stdin)
        assert done.returncode == 0, f"calc {topic} {options} failed: {done.stderr}"
        return json.loads(done.stdout)


def cell(value):
    """A CSV cell that reads back to the same number."""
    return repr(float(value)) if isinstance(value, (float, np.floating)) else str(value)


@pytest.fixture(scope="session")
def earlywood():
    return Earlywood()


@pytest.fixture
def rng(request):
    """A generator seeded from the run's seed and the test's own name; the seed is shown when the test fails."""
    seed = (SEED, zlib.crc32(request.node.nodeid.encode()))
    print(f"seed {seed}")
    return np.random.default_rng(seed)
