"""Build the site into output/docs: gather its pages, run Sphinx with warnings as errors, look for outside requests.

python tools/make_site.py          the whole site, every notebook run
python tools/make_site.py --pages  gathers the pages only (output/docs_pages), every notebook run
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from html.parser import HTMLParser
from pathlib import Path

import make_notebooks
import nbformat
from make_pictures import PICTURES

import combust

ROOT = Path(__file__).parents[1]
SITE, PAGES, OUT = ROOT / "docs" / "site", ROOT / "output" / "docs_pages", ROOT / "output" / "docs"
TOURS = {
    "tour_engineer": "Tour of the service engineer",
    "tour_planner": "Tour of the fleet planner",
    "tour_trainer": "Tour of the trainer",
    "tour_python": "In Python",
}
PROMISES = ("What the engine promises", "How well it is checked", "What happens to a reading")
START = "00_start_here"
FLOORS = ("kernel", "domain")
BENCHED = ("--only", "reading", "--only", "start")
SPHINX = ("-b", "html", "-W", "--keep-going", "-n", "-q", "-E")
# What a browser asks for by itself; a link is followed by a person.
ASKED = {"src", "srcset", "data", "poster", "action", "formaction", "background"}
ASKED_BY_LINK = {"stylesheet", "icon", "preload", "prefetch", "preconnect", "dns-prefetch", "modulepreload", "manifest"}
OUTSIDE = re.compile(r"^\s*(?:[a-z][a-z0-9+.-]*:)?//", re.I)
IN_CSS = re.compile(r"(?:url\(\s*['\"]?|@import\s+['\"])((?:https?:)?//[^'\")]+)", re.I)
IN_SCRIPT = re.compile(r"""(?:fetch|import|open|src\s*=|href\s*=)\s*\(?\s*["'`]((?:https?:)?//[^"'`]+)""")


# ---- the pages ------------------------------------------------------------------------------------------------------


def sections() -> dict[str, str]:
    """Return heading -> text of each part of the README; "" is what stands above the first."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    head, *rest = re.split(r"^## ", text, flags=re.M)
    return {"": head, **{part.partition("\n")[0]: part.partition("\n")[2] for part in rest}}


def on_site(text: str) -> str:
    """Return a text of the README with its links as they are on the site."""
    text = re.sub(r"\]\(docs/(\w+)\.md", r"](\1.md", text)
    return text.replace("](CHANGELOG.md)", "](changelog.md)").replace("](DEVELOPERS.md)", "](developers.md)")


def gather() -> None:
    """Write every page of the site below output/docs_pages."""
    shutil.rmtree(PAGES, ignore_errors=True)
    shutil.copytree(SITE, PAGES)
    shutil.copy(ROOT / "combust" / "edge" / "web" / "static" / "icon.svg", PAGES)
    shutil.copytree(ROOT / "docs" / "pictures", PAGES / "pictures")
    for made in (ROOT / "docs").glob("*.md"):
        shutil.copy(made, PAGES)
    books = PAGES / "notebooks"
    books.mkdir(exist_ok=True)
    for path, book in make_notebooks.all_run().items():
        kept = [cell for cell in book.cells if make_notebooks.LIVE not in cell.metadata.get("tags", ())]
        if path.stem == START:
            kept.insert(1, nbformat.v4.new_markdown_cell(contents()))
        book.cells = kept
        nbformat.write(book, books / path.name)
    texts = {"index": first_page(), "accuracy": accuracy(), "benchmarks": benchmarks(), "promises": promises()}
    texts |= {name: f"# {heading}\n{on_site(sections()[heading])}" for name, heading in TOURS.items()}
    texts |= {name.lower(): (ROOT / f"{name}.md").read_text(encoding="utf-8") for name in ("CHANGELOG", "DEVELOPERS")}
    texts |= dict(reference())
    for name, text in texts.items():
        place = PAGES / f"{name}.md"
        place.parent.mkdir(exist_ok=True)
        place.write_text(text, encoding="utf-8")


def first_page() -> str:
    """Return the first page: the job, the cautions, the pictures and the two commands, all but the frame from elsewhere."""
    held = sections()
    head = held[""].split("\n\n")
    job = next(part for part in head if part.startswith("`combust` turns"))
    caution = next(part for part in head if part.startswith("> "))
    shown = [
        f"```{{container}} one\n**[For the {one.reader}]({one.tour}.md).** {one.caption}\n\n"
        f"![{one.alt}](pictures/{name}.svg)\n```"
        for name, one in PICTURES.items()
    ]
    text = (SITE / "index.md").read_text(encoding="utf-8")
    pictures = "\n".join(["````{container} pictures", *shown, "````"])
    parts = {"job": job, "caution": caution, "pictures": pictures}
    for word, part in {**parts, "begin": on_site(held["Two commands"])}.items():
        text = text.replace(f"<!-- {word} -->", part)
    return text


def promises() -> str:
    """Return what it promises and where it was tried."""
    parts = (f"## {heading}\n{sections()[heading]}" for heading in PROMISES)
    return on_site("# What it promises, and where it was tried\n\n" + "\n".join(parts))


def accuracy() -> str:
    """Return every number that is compared with the outside, worked now, and the sweeps of the approximate forms."""
    import make_accuracy  # loads every module of tests with a number in it

    told = make_accuracy.lines()
    wrong = [line.row.quantity for line in told if not line.passed]
    if wrong:
        sys.exit(f"Outside their tolerance: {', '.join(wrong)}")
    lines = ["# Accuracy", "", make_accuracy.summary([line.row for line in told]), "",
             "Tolerance is half a unit in the last printed digit unless the source states an accuracy. `make accuracy` "
             "adds which test calls which function.", "", "## Approximate forms, swept over their whole band", ""]  # fmt: skip
    (PAGES / "sweeps").mkdir()
    for form in make_accuracy.forms().values():
        (PAGES / "sweeps" / f"{form.name}.svg").write_text(make_accuracy.draw(form), encoding="utf-8")
        words = form.name.replace("_", " ")
        unit = "" if form.unit == "-" else f" {form.unit}"
        lines += [f"### {words[0].upper()}{words[1:]}", "", f"`{form.form}` against {form.exact}. "
                  f"{form.of} {form.band[0]:g} to {form.band[1]:g}{unit}: "
                  f"{form.error[0]:g} to {form.error[1]:g} {form.error_unit}. Reason: {form.why}.", "",
                  f"![Error of {words} over its band](sweeps/{form.name}.svg)", ""]  # fmt: skip
    lines += ["## Number by number", ""]
    for topic in dict.fromkeys(line.topic for line in told):
        lines += [f"### {topic}", "", "| quantity | printed | ours | difference | tolerance | kind | source |",
                  "|---|---|---|---|---|---|---|"]  # fmt: skip
        for line in (line for line in told if line.topic == topic):
            row = line.row
            cells = (row.quantity, row.printed, f"{line.ours:.7g}", f"{line.difference:.2g}", f"{row.allowed:.2g}",
                     make_accuracy.name_of(row.kind), row.source)  # fmt: skip
            lines += ["| " + " | ".join(_cell(cell) for cell in cells) + " |"]
        lines += [""]
    return "\n".join(lines)


def contents() -> str:
    """Return the list that the site needs to reach each notebook."""
    names = sorted(path.stem for path in (ROOT / "notebooks").glob("*.ipynb") if path.stem != START)
    return "\n".join(["```{toctree}", ":hidden:", "", *names, "```"])


def _cell(text: object) -> str:
    return re.sub(r"([\\|*_<>`\[\]])", r"\\\1", " ".join(str(text).split()))


def benchmarks() -> str:
    """Return the table of the last ``make bench``; where there is none a short run is made."""
    table = ROOT / "output" / "bench" / "bench.md"
    if not table.is_file():
        command = [sys.executable, "-m", "tests.benchmarks", "--quick", *BENCHED, "--out", str(table.parent)]
        subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    return f"# Benchmarks\n\n`make bench` makes this table anew; times gate nothing.\n\n{table.read_text(encoding='utf-8')}"


# ---- the reference --------------------------------------------------------------------------------------------------


def reference() -> Iterator[tuple[str, str]]:
    """Return the pages of the reference: the names of ``combust``, then each module of kernel and domain."""
    names = [name for name in combust.__all__ if name != "__version__"]
    blocks = (_block(f"combust.{name}", getattr(combust, name)) for name in names)
    yield "reference/combust", "# combust\n\nWhat `import combust` offers.\n\n" + "\n".join(blocks)
    blocks = (_block(f"{one.__module__}.{one.__qualname__}()", one) for one in results(names))
    yield "reference/results", "# Results\n\nWhat the functions of `combust` return.\n\n" + "\n".join(blocks)
    listed = ["combust", "results"]
    for floor in FLOORS:
        package = importlib.import_module(f"combust.{floor}")
        for one in pkgutil.walk_packages(package.__path__, f"combust.{floor}."):
            module = importlib.import_module(one.name)
            shown = [f"{one.name}.{name}" for name, value in own(module)]
            if not shown:
                continue
            listed.append(one.name)
            blocks = (_block(f"{one.name}.{name}", value) for name, value in own(module))
            target = f"```{{eval-rst}}\n.. py:module:: {one.name}\n```\n"
            yield f"reference/{one.name}", f"# {one.name}\n\n{target}\n{module.__doc__}\n\n" + "\n".join(blocks)
    contents = "\n".join(["```{toctree}", ":maxdepth: 1", "", *listed, "```"])
    said = (
        "Functions carry the physics, objects carry the data. Every name carries its unit: `o2_dry_pct`, `flue_temp_c`."
    )
    yield "reference/index", f"# Reference\n\n{said}\n\n{contents}\n"


def results(names: Sequence[str]) -> list[type]:
    """Return the classes of ours that stand behind the arrow of a public function and are no public names themselves."""
    called = [inspect.unwrap(getattr(combust, name)) for name in names]
    functions = [one for one in called if inspect.isfunction(one)]
    words = {word for one in functions for word in re.findall(r"\w+", str(inspect.signature(one).return_annotation))}
    seen = {name: value for one in functions for name, value in one.__globals__.items() if name in words}
    public = set(called)
    ours = (value for value in seen.values() if inspect.isclass(value) and value.__module__.startswith("combust."))
    shown = tuple(f"combust.{floor}." for floor in FLOORS)
    left = {one for one in ours if one not in public and not one.__module__.startswith(shown)}
    return sorted(left, key=lambda one: one.__qualname__)


def own(module: object) -> Iterator[tuple[str, object]]:
    """Return the public functions and classes that a module defines itself, in their order."""
    for name, value in vars(module).items():
        here = getattr(value, "__module__", None) == getattr(module, "__name__", "")
        if not name.startswith("_") and here and (inspect.isclass(value) or inspect.isroutine(value)):
            yield name, value


def _block(path: str, value: object) -> str:
    kind = "autoexception" if inspect.isclass(value) and issubclass(value, BaseException) else "autoclass"
    return f"```{{eval-rst}}\n.. {kind if inspect.isclass(value) else 'autofunction'}:: {path}\n```\n"


# ---- nothing is asked for outside -----------------------------------------------------------------------------------


class Asking(HTMLParser):
    """Gathers what a page makes a browser ask for beyond its own folder."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.script = self.style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.script, self.style = tag == "script", tag == "style"
        asked = [value for name, value in given.items() if name in ASKED]
        if tag == "link" and ASKED_BY_LINK & set(given.get("rel", "").lower().split()):
            asked.append(given.get("href", ""))
        if tag in ("image", "use", "feimage"):
            asked += [given.get("href", ""), given.get("xlink:href", "")]
        if tag == "meta" and given.get("http-equiv", "").lower() == "refresh":
            asked.append(given.get("content", "").partition("=")[2])
        parts = [part for value in asked for part in value.split(",") if not value.startswith("data:")]
        self.found += [part.strip() for part in parts if OUTSIDE.match(part)]
        self.found += IN_CSS.findall(given.get("style", ""))

    def handle_data(self, data: str) -> None:
        if self.style:
            self.found += IN_CSS.findall(data)
        if self.script:
            self.found += IN_SCRIPT.findall(data)

    def handle_endtag(self, tag: str) -> None:
        self.script = self.style = False


def asked_outside(text: str, kind: str) -> list[str]:
    """Return the addresses outside that a file (.html, .css, .js, .svg) makes a browser ask for."""
    if kind == ".css":
        return IN_CSS.findall(text)
    if kind == ".js":
        return IN_SCRIPT.findall(text)
    page = Asking()
    page.feed(text)
    return page.found


def outside_requests(folder: Path) -> list[str]:
    """Return "file: address" of everything a built site would ask for outside its folder."""
    kinds = (".html", ".css", ".js", ".svg")
    files = sorted(path for path in folder.rglob("*") if path.suffix in kinds)
    return [
        f"{path.relative_to(folder)}: {address}"
        for path in files
        for address in asked_outside(path.read_text(encoding="utf-8"), path.suffix)
    ]


def main() -> None:
    """Build the site; end with code 1 where a page, a cell, a link or a name is not in order."""
    begun = time.monotonic()
    gather()
    if "--pages" in sys.argv[1:]:
        return
    shutil.rmtree(OUT, ignore_errors=True)
    command = [sys.executable, "-m", "sphinx", *SPHINX, "-j", "2", "-d", str(ROOT / "output" / "docs_read")]
    done = subprocess.run([*command, str(PAGES), str(OUT)], cwd=ROOT, check=False)
    asked = outside_requests(OUT)
    if asked:
        print("These would be asked for outside:", *asked, sep="\n", file=sys.stderr)
    if done.returncode or asked:
        sys.exit("The site is not in order.")
    print(f"{OUT / 'index.html'}: {len(list(OUT.rglob('*.html')))} pages in {time.monotonic() - begun:.0f} s.")


if __name__ == "__main__":
    main()
