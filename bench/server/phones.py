"""N made-up phones give their day to a served programme, all at once. See run.sh.

The phones are written from FORMAT.md, SYNC.md and crates/server/API.md alone: nothing of the program's own code is on
this side. Everything is on loopback, and ends when every phone has been answered.
"""

import base64
import datetime
import gzip
import http.client
import json
import pathlib
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.parse
import uuid

from blake3 import blake3
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

VISITS = 60
PHOTO_BYTES = 60_000
PASSWORD = "a pole, a lure and a sunny day"
ANSWER_S = 300
NOW = datetime.datetime.now(datetime.timezone.utc)


def fields(*parts):
    return b"".join(len(part).to_bytes(4, "big") + part for part in parts)


def canonical(value):
    """RFC 8785 for what is written here: ASCII keys, texts, whole numbers."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"))


class Clock:
    """Version 7 ids that only increase."""

    def __init__(self):
        self.ms, self.step = int(NOW.timestamp() * 1000), 0

    def id(self):
        self.step += 1
        raw = (self.ms << 80) | (7 << 76) | ((self.step & 0xFFF) << 64) | (2 << 62) | uuid.uuid4().int >> 66
        self.ms += 1
        return uuid.UUID(int=raw)


class Phone:
    """A device with its key, and its day as a message ready to be given."""

    def __init__(self, number):
        self.number = number
        self.clock = Clock()
        self.device = self.clock.id()
        self.key = Ed25519PrivateKey.generate()
        self.public = self.key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
        self.seconds = None
        self.wrong = None

    def sign(self, *parts):
        return self.key.sign(b"earlywood/message/1" + fields(*parts))

    def entry(self, number, previous, kind, version, body, person):
        recorded = NOW.strftime("%Y-%m-%dT%H:%M:%SZ")
        line = {"id": self.clock.id(), "device": self.device, "number": number, "previous": previous, "event_time": recorded,
                "recorded_time": recorded, "person": person, "kind": kind, "body_version": version, "body": canonical(body)}
        digest = blake3(fields(
            b"earlywood/entry/1", line["id"].bytes, self.device.bytes, number.to_bytes(8, "big"), previous or b"",
            recorded.encode(), recorded.encode(), person.encode(), kind.encode(), version.to_bytes(4, "big"),
            line["body"].encode())).digest()
        signature = self.key.sign(b"earlywood/signature/1" + digest)
        line.update(id=str(line["id"]), device=str(self.device), previous=previous.hex() if previous else None,
                    hash=digest.hex(), signature=signature.hex())
        return line, digest

    def prepare(self, programme, day):
        """The message: a day's visits, the last with a photo."""
        self.programme = programme
        photo = (b"\xff\xd8\xff\xe0" + self.device.bytes * (PHOTO_BYTES // 16))[:PHOTO_BYTES]
        photo_hash = blake3(photo).hexdigest()
        lines, previous = [], None
        for n in range(VISITS):
            body = {"trap": f"T-{n}", "date": day, "kind": "service", "found": "working", "looked": "fully",
                    "catch": {"suspects": 0}, "outcome": "complete", "crew": f"crew-{self.number}"}
            if n == VISITS - 1:
                body["photos"] = [{"hash": photo_hash, "bytes": len(photo), "media": "image/jpeg", "shows": "overview"}]
            line, previous = self.entry(n + 1, previous, "visit-made", 2, body, f"p-{self.number}")
            lines.append(json.dumps({"entry": line}, separators=(",", ":")))
        first = {"earlywood-sync": 1, "message": "bundle", "programme": str(programme), "complete": True,
                 "heads": [{"device": str(self.device), "number": VISITS, "hash": previous.hex()}], "wants": []}
        content = {"content": {"hash": photo_hash, "base64": base64.b64encode(photo).decode()}}
        text = "".join(line + "\n" for line in [json.dumps(first, separators=(",", ":")), *lines,
                                               json.dumps(content, separators=(",", ":"))]).encode()
        end = {"end": {"entries": VISITS, "contents": 1, "blake3": blake3(text).hexdigest()}}
        self.message = gzip.compress(text + (json.dumps(end, separators=(",", ":")) + "\n").encode(), 6)

    def give(self, host, port, server):
        """Challenge and giving, as one connection; the reply's signature is checked too."""
        began = time.perf_counter()
        line = http.client.HTTPConnection(host, port, timeout=ANSWER_S)
        for tries in range(60):
            line.request("POST", "/api/1/sync/challenge", json.dumps({"device": str(self.device)}),
                         {"content-type": "application/json"})
            reply = line.getresponse()
            answer = json.loads(reply.read())
            if reply.status == 503:
                time.sleep(0.2 * (1 + tries % 5))
                continue
            assert reply.status == 200, answer
            challenge = bytes.fromhex(answer["challenge"])
            body_hash = blake3(self.message).digest()
            signature = self.sign(b"earlywood/sync/request/1", self.programme.bytes, self.device.bytes, b"give", challenge, body_hash)
            line.request("POST", "/api/1/sync/give", self.message, {
                "content-type": "application/x-ndjson", "content-encoding": "gzip", "earlywood-programme": str(self.programme),
                "earlywood-device": str(self.device), "earlywood-challenge": challenge.hex(),
                "earlywood-body-hash": body_hash.hex(), "earlywood-signature": signature.hex()})
            reply = line.getresponse()
            text = reply.read()
            if reply.status == 503:
                time.sleep(0.2 * (1 + tries % 5))
                continue
            assert reply.status == 200, text[:500]
            accepted = reply.headers["earlywood-accepted"]
            signed = fields(b"earlywood/sync/reply/1", self.programme.bytes, uuid.UUID(server["device"]).bytes, challenge,
                            accepted.encode(), bytes.fromhex(reply.headers["earlywood-body-hash"]))
            Ed25519PublicKey.from_public_bytes(bytes.fromhex(server["key"])).verify(
                bytes.fromhex(reply.headers["earlywood-signature"]), b"earlywood/message/1" + signed)
            took = json.loads(accepted)
            assert took["new"] + took["known"] >= VISITS and not took["held-back"], took
            self.seconds = time.perf_counter() - began
            return
        raise AssertionError("busy for too long")


class Served:
    """The program, serving a new programme with 60 traps."""

    def __init__(self, program, folder):
        self.file, self.program = folder / "county.earlywood", program
        traps = folder / "traps.csv"
        traps.write_text("trap,place,lat,lon,targets,hung\n" + "".join(
            f"T-{n},P-{n},44.{n:04d},-121.0,emerald-ash-borer,2025-05-01\n" for n in range(VISITS)))
        for step in (["init", self.file, "--name", "Bench"], ["load", self.file, "traps", traps]):
            subprocess.run([program, *map(str, step)], check=True, capture_output=True)
        self.log = folder / "served.log"
        self.out = self.log.open("w")
        self.process = subprocess.Popen([program, "serve", str(self.file), "--listen", "127.0.0.1:0"], stdout=self.out,
                                        stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL)
        for _ in range(300):
            text = self.log.read_text()
            address, code = re.search(r"http://127\.0\.0\.1:\d+", text), re.search(r"[#=]([0-9A-Z]{8,})", text)
            if address and code:
                break
            time.sleep(0.1)
        else:
            raise AssertionError(text)
        self.address, self.code = urllib.parse.urlsplit(address.group(0)), code.group(1)
        self.headers = {}
        me = self.call("POST", "/api/1/first-run", {"code": self.code, "person": "lead", "password": PASSWORD})
        self.headers["x-earlywood-csrf"] = me["csrf"]
        self.programme = uuid.UUID(me["programme"]["id"])

    def call(self, method, path, body=None):
        line = http.client.HTTPConnection(self.address.hostname, self.address.port, timeout=ANSWER_S)
        headers = dict(self.headers)
        if body is not None:
            headers["content-type"] = "application/json"
        line.request(method, path, None if body is None else json.dumps(body), headers)
        reply = line.getresponse()
        text = reply.read()
        if reply.headers.get("set-cookie"):
            self.headers["cookie"] = reply.headers["set-cookie"].split(";")[0]
        assert reply.status == 200, (path, reply.status, text[:500])
        return json.loads(text)

    def enrol(self, phones):
        """The people and their phones; gives what the phones know of the server."""
        entries = []
        for phone in phones:
            entries.append({"kind": "person-enrolled", "version": 1,
                            "body": {"person": f"p-{phone.number}", "roles": ["inspector"], "from": "2025-01-01"}})
            entries.append({"kind": "device-enrolled", "version": 1, "body": {
                "device": str(phone.device), "key": phone.public.hex(), "holder": f"p-{phone.number}"}})
        for start in range(0, len(entries), 100):
            self.call("POST", "/api/1/entries/batch", {"entries": entries[start:start + 100]})
        # What a phone is told of the server's device when it enrols by a code; here once, for all.
        code = self.call("POST", "/api/1/devices/code", {"person": "p-0"})["code"]
        phone = Phone(0)
        signature = phone.sign(b"earlywood/enrol/1", self.programme.bytes, phone.device.bytes, phone.public, code.encode())
        return self.call("POST", "/api/1/devices/enrol", {
            "code": code, "device": str(phone.device), "key": phone.public.hex(), "signature": signature.hex()})["server"]

    def stop(self):
        self.process.terminate()
        self.process.wait(60)


def desk(served, stop, waits):
    """Somebody at a desk, looking at a page every fifth of a second."""
    while not stop.is_set():
        began = time.perf_counter()
        served.call("GET", "/api/1/me")
        waits.append(time.perf_counter() - began)
        stop.wait(0.2)


def attempt(phone, host, port, server):
    try:
        phone.give(host, port, server)
    except Exception as wrong:  # told in the end
        phone.wrong = wrong


def main():
    program, count = sys.argv[1], int(sys.argv[2])
    with tempfile.TemporaryDirectory() as folder:
        served = Served(program, pathlib.Path(folder))
        try:
            phones = [Phone(n) for n in range(count + 1)]
            server = served.enrol(phones)
            for phone in phones:
                phone.prepare(served.programme, str(datetime.date(2025, 5, 2) + datetime.timedelta(days=phone.number)))
            host, port = served.address.hostname, served.address.port
            size = statistics.mean(len(phone.message) for phone in phones)
            print(f"each phone: {VISITS} visits and a photo, {size / 1000:.0f} kB packed")
            phones[0].give(host, port, server)
            print(f"one phone alone: {phones[0].seconds * 1000:.0f} ms")
            waits, stop = [], threading.Event()
            looking = threading.Thread(target=desk, args=(served, stop, waits))
            looking.start()
            began = time.perf_counter()
            threads = [threading.Thread(target=attempt, args=(phone, host, port, server)) for phone in phones[1:]]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            took = time.perf_counter() - began
            stop.set()
            looking.join()
            wrong = [phone for phone in phones if phone.wrong or phone.seconds is None]
            seconds = sorted(phone.seconds for phone in phones[1:] if phone.seconds is not None)
            print(f"{count} phones at once: {took:.2f} s, {count * VISITS / took:.0f} visits a second; a phone waits "
                  f"{statistics.median(seconds):.2f} s (median), {seconds[-1]:.2f} s (most)")
            print(f"a page at a desk meanwhile: {statistics.median(waits) * 1000:.0f} ms (median), {max(waits) * 1000:.0f} ms (most)")
            for phone in wrong[:5]:
                print(f"phone {phone.number}: {phone.wrong}")
            assert not wrong, f"{len(wrong)} phones were not served"
        finally:
            served.stop()
        done = subprocess.run([program, "journal", str(served.file), "verify"], check=True, capture_output=True, text=True)
        print(done.stdout.splitlines()[0])
        expected = (count + 1) * VISITS
        listed = subprocess.run([program, "journal", str(served.file), "devices", "--json"], check=True, capture_output=True, text=True)
        given = sum(d["entries"] for d in json.loads(listed.stdout)["devices"] if d.get("holder"))
        print(f"{given} of {expected} visits are in the journal")
        assert given == expected


main()
