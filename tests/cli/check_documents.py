#!/usr/bin/env python3
"""Checks that the documents tell the truth.

* Every ```console block of the documents named in RUN is run, in one scratch folder a document: a line that begins
  with "$ " is a command ("> " continues it), what follows is what it must print. A line "..." stands for any number
  of lines, and the character "…" for any text within a line. A command may fail only where the block says so with a
  last line "[exit code N]". In a block marked "```console figures-vary" any number may stand for any other (and blanks
  for blanks): searches and draws may improve without making the document wrong.
* Every relative link and picture of every Markdown file leads to a file.
* Every path of the repository named between backquotes exists.

The scratch folder holds earlywood-demo, as scripts/demo leaves it: a copy of the folder that EARLYWOOD_DEMO names, or a
new demonstration. Standard library only. EARLYWOOD_BIN names the program. Ends with "N passed, N failed".
"""

import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
RUN = ["README.md"]
SECONDS_EACH = 300
FENCE = re.compile(r"^```(\w*) *([\w-]*)\s*$")
NUMBER = re.compile(r"\d[\d.]*")
LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")
PATH = re.compile(r"`((?:crates|scripts|targets|tests|bench|docs|\.ci)/[\w./-]*|[\w-]+\.(?:md|toml))`")
EXIT = re.compile(r"^\[exit code (\d+)\]$")


class Command:
    """One command of a document with what it must print."""

    def __init__(self, document, line, text, figures_vary):
        self.document, self.line, self.text, self.figures_vary = document, line, text, figures_vary
        self.expected, self.exit_code = [], 0

    def check(self, folder, environment):
        """None when it prints what it must, else what is wrong."""
        try:
            run = subprocess.run(["bash", "-c", self.text], cwd=folder, env=environment, stdin=subprocess.DEVNULL,
                                 stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=SECONDS_EACH, check=False)
        except subprocess.TimeoutExpired:
            return f"did not end within {SECONDS_EACH} s"
        printed = run.stdout.decode("utf-8", "replace").replace("\r", "\n").splitlines()
        if run.returncode != self.exit_code:
            return f"exit code {run.returncode}, not {self.exit_code}; it printed:\n" + indent(printed)
        if not matches(self.expected, printed, self.figures_vary):
            return "it printed:\n" + indent(printed) + "\n  but the document says:\n" + indent(self.expected)
        return None


def indent(lines):
    return "\n".join("    " + line for line in lines)


def matches(expected, printed, figures_vary):
    """Whether the printed lines fit the expected ones, with "..." and "…" as wild cards."""

    def exact(text):
        if not figures_vary:
            return re.escape(text)
        words = [r"\s*".join(map(re.escape, re.split(r"\s+", part))) for part in NUMBER.split(text)]
        return NUMBER.pattern.join(words)

    pattern = ""
    for line in expected:
        if line.strip() == "...":
            pattern += r"(?:.*\n)*?"
        else:
            pattern += ".*?".join(exact(part) for part in line.rstrip().split("…")) + r"[ \t]*\n"
    return re.fullmatch(pattern, "".join(line.rstrip() + "\n" for line in printed)) is not None


def commands_of(document):
    """The commands of a document's console blocks, in order."""
    found, inside, vary, current = [], None, False, None
    for number, line in enumerate((ROOT / document).read_text(encoding="utf-8").splitlines(), 1):
        fence = FENCE.match(line)
        if fence or (line.startswith("```") and inside is not None):
            vary = bool(fence) and fence.group(2) == "figures-vary"
            inside = None if inside is not None else (fence.group(1) if fence else "")
            current = None
        elif inside == "console":
            if line.startswith("$ "):
                current = Command(document, number, line[2:], vary)
                found.append(current)
            elif current is not None and not current.expected and re.match(r"^> ?", line):
                current.text += "\n" + re.sub(r"^> ?", "", line)
            elif current is not None and EXIT.match(line):
                current.exit_code = int(EXIT.match(line).group(1))
            elif current is not None:
                current.expected.append(line)
    return found


def names_of(document):
    """(what, line) for every link and path the document names, outside code blocks."""
    inside = False
    for number, line in enumerate((ROOT / document).read_text(encoding="utf-8").splitlines(), 1):
        if line.startswith("```"):
            inside = not inside
        if inside:
            continue
        for target in LINK.findall(line):
            if not re.match(r"^(https?:|mailto:|#)", target):
                yield (ROOT / document).parent / target.split("#")[0], target, number
        for target in PATH.findall(line):
            yield ROOT / target, target, number


def prepare(program, folder):
    """Puts a demonstration where the documents expect one."""
    made = os.environ.get("EARLYWOOD_DEMO")
    if made:
        shutil.copytree(made, folder)
    else:
        subprocess.run([program, "demo", "--dir", folder], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def main():
    program = os.environ.get("EARLYWOOD_BIN")
    if not program or not os.access(program, os.X_OK):
        sys.exit("set EARLYWOOD_BIN to the built program")
    passed, failed = 0, 0

    def verdict(what, wrong):
        nonlocal passed, failed
        if wrong is None:
            passed += 1
        else:
            failed += 1
            print(f"{what}: {wrong}", flush=True)

    environment = dict(os.environ, PATH=f"{pathlib.Path(program).resolve().parent}:{os.environ['PATH']}", LC_ALL="C.UTF-8",
                       NO_COLOR="1", COLUMNS="100")
    for document in RUN:
        with tempfile.TemporaryDirectory() as folder:
            prepare(program, pathlib.Path(folder) / "earlywood-demo")
            for command in commands_of(document):
                verdict(f"{document}:{command.line}: {command.text.splitlines()[0]}", command.check(folder, environment))

    tracked = subprocess.run(["git", "ls-files", "*.md"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split()
    for document in tracked:
        for path, name, number in names_of(document):
            verdict(f"{document}:{number}", None if path.exists() else f"there is no {name}")
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
