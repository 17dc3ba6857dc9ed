"""``make release VERSION=0.2.0``: version, changelog, sdist and wheel checked in bare environments, commit and tag.

All of it happens in a clone; only when everything fits does the commit with its tag come back into this repository, and
what was built into ``dist/``. ``DRY=yes`` stops before that. Nothing is pushed or uploaded: that stays with a person.
"""

from __future__ import annotations

import argparse
import datetime
import re
import subprocess
import sys
import tarfile
import tempfile
import venv
import zipfile
from pathlib import Path

from check_wheel import build, check, run

ROOT = Path(__file__).parents[1]
TOP = "## Unreleased\n"
# File -> the line that holds the version.
VERSIONED = {
    "pyproject.toml": r'(?m)^version = "(.*)"$',
    "combust/__init__.py": r'(?m)^__version__ = "(.*)"$',
    "CITATION.cff": r"(?m)^version: (.*)$",
}


def numbers(version: str) -> tuple[int, int, int]:
    """Return the three numbers of a version."""
    parts = re.fullmatch(r"(\d+)\.(\d+)\.(\d+)", version)
    if not parts:
        raise SystemExit(f"{version!r} is no version: write it like 0.2.0.")
    return int(parts[1]), int(parts[2]), int(parts[3])


def versions_in(folder: Path) -> dict[str, str]:
    """Return the version that each file tells."""
    return {name: re.findall(line, (folder / name).read_text("utf-8"))[0] for name, line in VERSIONED.items()}


def with_version(text: str, line: str, version: str) -> str:
    """Return the text of a file with another version in its line."""
    return re.sub(line, lambda found: found[0].replace(found[1], version), text, count=1)


def changelog_of(text: str, version: str, day: str) -> str:
    """Return the changelog with what is unreleased under the version; an empty one is refused."""
    head, mark, rest = text.partition(TOP)
    if not mark or not rest.partition("\n## ")[0].strip():
        raise SystemExit("CHANGELOG.md tells nothing under Unreleased: there is nothing to release.")
    return f"{head}{TOP}\n## {version} – {day}\n{rest}"


def git(*arguments: str, cwd: Path = ROOT) -> str:
    """Run git and return what it says."""
    return subprocess.run(["git", *arguments], cwd=cwd, check=True, capture_output=True, text=True).stdout.strip()


def refuse_unready(version: str) -> None:
    """Refuse a version that is no later one, a tag that is there, files that are not committed or disagree."""
    told = versions_in(ROOT)
    if len(set(told.values())) != 1:
        raise SystemExit(f"The files tell different versions: {told}.")
    now = told["pyproject.toml"]
    tags = git("tag", "--list").split()
    if numbers(version) < numbers(now) or (numbers(version) == numbers(now) and f"v{now}" in tags):
        raise SystemExit(f"{version} is no later version than {now}.")
    if f"v{version}" in tags:
        raise SystemExit(f"The tag v{version} is there already.")
    if git("status", "--porcelain"):
        raise SystemExit("Not everything is committed: git status tells what.")


def write_version(clone: Path, version: str, day: str) -> None:
    """Write the version into each file that tells it, and the changelog."""
    for name, line in VERSIONED.items():
        text = with_version((clone / name).read_text("utf-8"), line, version)
        if name == "CITATION.cff":
            text = re.sub(r"(?m)^date-released: .*\n", "", text).replace(
                f"version: {version}\n", f"version: {version}\ndate-released: {day}\n"
            )
        (clone / name).write_text(text, "utf-8")
    changelog = clone / "CHANGELOG.md"
    changelog.write_text(changelog_of(changelog.read_text("utf-8"), version, day), "utf-8")


def built(clone: Path, folder: Path) -> tuple[Path, Path]:
    """Return (sdist, wheel) of the clone, made by the build backend in an environment of its own."""
    venv.create(folder / "builder", with_pip=True)
    python = folder / "builder" / "bin" / "python"
    run(python, "-m", "pip", "install", "--quiet", "hatchling", cwd=folder)
    run(python, "-m", "hatchling", "build", "-d", folder / "dist", cwd=clone)
    (sdist,), (wheel,) = (folder / "dist").glob("*.tar.gz"), (folder / "dist").glob("*.whl")
    return sdist, wheel


def compare(sdist: Path, wheel: Path, folder: Path) -> None:
    """Fail unless the sdist builds a wheel of the same files, and holds licence, citation and changelog."""
    (folder / "again").mkdir()
    again = build(sdist, folder / "again")
    held = [sorted(zipfile.ZipFile(one).namelist()) for one in (wheel, again)]
    if held[0] != held[1]:
        raise SystemExit(f"Wheel and sdist differ: {sorted({*held[0]} ^ {*held[1]})[:10]}")
    with tarfile.open(sdist) as file:
        names = {Path(name).name for name in file.getnames()}
    if missing := {"LICENSE", "CITATION.cff", "CHANGELOG.md", "SECURITY.md", "README.md"} - names:
        raise SystemExit(f"The sdist lacks {', '.join(sorted(missing))}.")


def main() -> None:
    """Make a release, or try it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("version")
    parser.add_argument("--dry", action="store_true", help="Do everything but change this repository.")
    given = parser.parse_args()
    refuse_unready(given.version)
    day = datetime.date.today().isoformat()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        clone = folder / "clone"
        git("clone", "--quiet", str(ROOT), str(clone))
        for key in ("user.name", "user.email"):
            git("config", key, git("log", "-1", "--format=%an" if key == "user.name" else "--format=%ae"), cwd=clone)
        write_version(clone, given.version, day)
        git("commit", "--quiet", "--all", "--message", f"Release {given.version}", cwd=clone)
        git("tag", "--annotate", f"v{given.version}", "--message", f"combust {given.version}", cwd=clone)
        sdist, wheel = built(clone, folder)
        compare(sdist, wheel, folder)
        (folder / "wheel").mkdir()
        check(wheel, folder / "wheel", clone=clone)
        print(git("show", "--stat", "--format=%s", "HEAD", cwd=clone))
        print(
            f"{sdist.name} {sdist.stat().st_size / 1e3:.0f} kB, {wheel.name} {wheel.stat().st_size / 1e3:.0f} kB: same files."
        )
        if given.dry:
            print("A dry run: this repository is as it was.")
            return
        (ROOT / "dist").mkdir(exist_ok=True)
        for one in (sdist, wheel):
            (ROOT / "dist" / one.name).write_bytes(one.read_bytes())
        git("fetch", "--quiet", "--tags", str(clone), "HEAD")
        git("merge", "--quiet", "--ff-only", "FETCH_HEAD")
        print(f"Committed and tagged v{given.version}; built into dist/. Push and upload them yourself.")


if __name__ == "__main__":
    sys.exit(main())
