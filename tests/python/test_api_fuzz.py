"""Every call of the office, tried with made-up input against the real program.

The program serves a copy of the demonstration's working day (EARLYWOOD_DEMO names its folder; else one is made). It is
called by nobody, by a lead and by a partner; schemathesis makes the input from the program's own document of its calls,
with a fixed seed. No answer may be a fault of the server's, and each must be one that the document names, of the form that
it names. That nobody but those entitled are let in is tried apart, call by call.
"""

import json
import os
import pathlib
import re
import shutil
import subprocess
import sys
import urllib.error
import urllib.request

import pytest

from conftest import program

MORNING = "2025-07-15"
SEED = 20250715
# Made-up input for each call and each kind of caller, beside the systematic ones. Most of what there is to find shows within the first few.
EXAMPLES = int(os.environ.get("EARLYWOOD_API_EXAMPLES", "8"))
DOCUMENT = "/api/1/openapi.json"
PASSWORD = "a pole, a lure and a sunny day"
# What would end the session that the other calls need: tried by nobody only.
ENDS_SESSION = r"^/api/1/(sign-out|password)$"
# Calls of devices: signed, and in lines of JSON. Made-up input has no key; crates/server/tests and the fuzzers of
# crates/journal try what a device could send.
OF_DEVICES = r"^/api/1/(sync/|phone/day)"
RIGHT = "x-earlywood-right"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A copy of the demonstration."""
    to = tmp_path_factory.mktemp("api") / "demo"
    made = os.environ.get("EARLYWOOD_DEMO")
    if made and (pathlib.Path(made) / "at-work.earlywood").exists():
        shutil.copytree(made, to)
    else:
        subprocess.run([program(), "demo", "--dir", str(to)], check=True, capture_output=True, timeout=600)
    return to


class Office:
    """The program, serving."""

    def __init__(self, file, log):
        self.log = log
        self.out = log.open("w+")
        self.process = subprocess.Popen(
            [program(), "serve", str(file), "--listen", "127.0.0.1:0", "--today", MORNING],
            stdin=subprocess.DEVNULL, stdout=self.out, stderr=subprocess.STDOUT)
        self.url, self.code = None, None
        self._wait()

    def _wait(self):
        for _ in range(300):
            text = self.log.read_text()
            address = re.search(r"http://127\.0\.0\.1:\d+", text)
            code = re.search(r"[#=]([0-9A-Z]{8,})", text)
            if address and code:
                self.url, self.code = address.group(0), code.group(1)
                return
            try:
                self.process.wait(0.1)
            except subprocess.TimeoutExpired:
                continue
            break
        raise AssertionError(f"the program does not serve:\n{self.log.read_text()}")

    def call(self, method, path, body=None, headers=None, media="application/json"):
        """Status, header fields, and what came back, read as JSON where it is."""
        data = None if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
        request = urllib.request.Request(self.url + path, data=data, method=method, headers=dict(headers or {}))
        if data is not None:
            request.add_header("content-type", media)
        try:
            with urllib.request.urlopen(request, timeout=60) as reply:
                status, fields, text = reply.status, reply.headers, reply.read()
        except urllib.error.HTTPError as reply:
            status, fields, text = reply.code, reply.headers, reply.read()
        return status, fields, json.loads(text) if "json" in (fields.get("content-type") or "") else text

    def sign_in(self, path, body):
        """The header fields with which a session calls."""
        status, fields, me = self.call("POST", path, body)
        assert status == 200, me
        cookie = fields["set-cookie"].split(";")[0]
        return {"cookie": cookie, "x-earlywood-csrf": me["csrf"]}

    def stop(self):
        self.process.terminate()
        self.process.wait(30)
        self.out.close()


@pytest.fixture(scope="module")
def office(folder):
    served = Office(folder / "at-work.earlywood", folder / "served.log")
    yield served
    served.stop()


@pytest.fixture(scope="module")
def callers(office):
    """Header fields of nobody, a lead and a partner."""
    lead = office.sign_in("/api/1/first-run", {"code": office.code, "person": "lead-1", "password": PASSWORD})
    status, _, invited = office.call("POST", "/api/1/accounts/invite", {"person": "partner-1"}, lead)
    assert status == 200, invited
    partner = office.sign_in("/api/1/accounts/accept", {"code": invited["code"], "password": PASSWORD})
    return {"nobody": {}, "lead": lead, "partner": partner}


def operations(office):
    """(method, path, operation) of each call in the document."""
    status, _, document = office.call("GET", DOCUMENT)
    assert status == 200
    for path, item in document["paths"].items():
        for method, operation in item.items():
            if method in ("get", "put", "post", "delete", "patch"):
                yield method.upper(), path, operation


def filled(path):
    """The path with something in the place of its parameters."""
    return re.sub(r"\{[^}]+\}", "0190a1b2-0000-7000-8000-000000000000", path)


def test_every_call_names_its_right_and_nobody_is_let_in_without(office, callers):
    seen, wrong = 0, []
    for method, path, operation in operations(office):
        right = operation.get(RIGHT)
        if right is None:
            wrong.append(f"{method} {path}: the document does not say whose it is")
            continue
        if right in ("public", "device"):
            continue
        seen += 1
        body = None if method in ("GET", "DELETE") else {}
        status, _, problem = office.call(method, filled(path), body)
        if status != 401:
            wrong.append(f"{method} {path}, signed out: {status}, not 401")
        elif not isinstance(problem, dict) or not problem.get("code") or not problem.get("words"):
            wrong.append(f"{method} {path}, signed out: not a problem in words: {problem}")
        if method != "GET":
            without = {"cookie": callers["lead"]["cookie"]}
            status, _, _ = office.call(method, filled(path), body, without)
            if status not in (401, 403):
                wrong.append(f"{method} {path}, a lead's cookie without the token: {status}, not 403")
    assert not wrong, "\n".join(wrong)
    assert seen > 20


def test_a_partner_reads_and_writes_nothing(office, callers):
    wrong = []
    reads = 0
    for method, path, operation in operations(office):
        right = operation.get(RIGHT)
        if right in ("public", "device", "own", "read", None):
            reads += right == "read"
            continue
        body = None if method in ("GET", "DELETE") else {}
        status, _, _ = office.call(method, filled(path), body, callers["partner"])
        # A body that is no body may be refused before the caller is.
        if status not in (403, 400, 415, 422) or (status != 403 and method in ("GET", "DELETE")):
            wrong.append(f"{method} {path} ({right}), as a partner: {status}")
    assert not wrong, "\n".join(wrong)
    assert reads > 5


@pytest.mark.parametrize("who", ["nobody", "partner", "lead"])
def test_made_up_input_meets_no_fault(office, callers, folder, who):
    command = [
        sys.executable, "-m", "schemathesis.cli", "run", office.url + DOCUMENT,
        "--checks", "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance",
        "--phases", "examples,coverage,fuzzing", "--max-examples", str(EXAMPLES), "--seed", str(SEED), "--workers", "1",
        "--generation-with-security-parameters", "false", "--generation-deterministic",
        "--no-shrink", "--suppress-health-check", "all", "--request-timeout", "60", "--warnings", "off",
        "--exclude-path", DOCUMENT, "--no-color",
    ]
    command += ["--exclude-path-regex", OF_DEVICES if who == "nobody" else f"{OF_DEVICES}|{ENDS_SESSION}"]
    for name, value in callers[who].items():
        command += ["--header", f"{name}: {value}"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=900, cwd=folder, check=False,
                          env=dict(os.environ, NO_COLOR="1", COLUMNS="120"))
    assert done.returncode == 0, done.stdout[-12_000:] + done.stderr[-2_000:]
    # The session must have lasted, else the rest of the run said little.
    if who != "nobody":
        status, _, me = office.call("GET", "/api/1/me", headers=callers[who])
        assert status == 200 and me.get("person"), me
    assert office.process.poll() is None, "the program ended"
    status, _, verified = office.call("GET", "/api/1/journal/verify", headers=callers["lead"])
    assert status == 200 and verified["sound"], verified
