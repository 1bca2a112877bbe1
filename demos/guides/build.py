"""Makes the site: README, guides, rule reference, and the functions and types of `import bridge`.

`python demos/guides/build.py` writes plain pages to demos/guides/site (git-ignored), or to the folder that is
named; open index.html there. Only its search needs a server: `python -m http.server --bind 127.0.0.1 -d
demos/guides/site`. The pages and what they link to are put together as they lie in the project; a
link that leads nowhere ends it with status 1. Needs mkdocs and pdoc, which the extra `test` brings.
"""

from __future__ import annotations

import logging
import re
import shutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
GUIDES = ROOT / "demos" / "guides"
START = "README.md"
_LINK = re.compile(r"!?\[(?:[^\]]|\\\])*\]\(([^)\s]+)\)")
_CODE = re.compile(r"```.*?```|`[^`\n]*`", re.DOTALL)
_API = """# Functions and types

[Everything that `import bridge` gives](api/bridge.html), with parameters and errors, from the program's text.
"""


class BuildError(Exception):
    """The site cannot be made; the message says which page and link."""


def links(text: str) -> list[str]:
    """What a page links to within the project, without the part after #."""
    targets = (link.partition("#")[0] for link in _LINK.findall(_CODE.sub("", text)))
    return [target for target in targets if target and "://" not in target]


def gather(into: Path) -> None:
    """Copy the pages, and all that they link to, to where they lie in the project. Raises BuildError."""
    waiting = [ROOT / START, *sorted(GUIDES.glob("*.md"))]
    seen = set(waiting)
    while waiting:
        page = waiting.pop()
        copy = into / page.relative_to(ROOT)
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(page, copy)
        if page.suffix != ".md":
            continue
        for link in links(page.read_text(encoding="utf-8")):
            target = (page.parent / link).resolve()
            if not target.is_file() or not target.is_relative_to(ROOT):
                raise BuildError(f"{page.relative_to(ROOT)}: the link to {link} leads nowhere")
            if target not in seen:
                seen.add(target)
                waiting.append(target)
    (into / "api.md").write_text(_API, encoding="utf-8")


def build(site: Path) -> None:
    """Raises BuildError, and what mkdocs raises where it finds a link that leads nowhere."""
    import pdoc
    from mkdocs.commands.build import build as build_pages
    from mkdocs.config import load_config
    from mkdocs.exceptions import Abort

    with tempfile.TemporaryDirectory() as folder:
        pages = Path(folder)
        gather(pages)
        pdoc.render.configure(docformat="google", show_source=False)
        pdoc.pdoc("bridge", output_directory=pages / "api")
        (pages / "api" / "index.html").unlink()  # only leads on to the one page there is
        config = load_config(str(GUIDES / "mkdocs.yml"), docs_dir=folder, site_dir=str(site), strict=True)
        try:
            build_pages(config)
        except Abort as error:
            raise BuildError(str(error)) from error


def main(arguments: list[str]) -> int:
    logging.basicConfig(level=logging.WARNING, format="%(message)s")
    site = Path(arguments[0]).resolve() if arguments else GUIDES / "site"
    try:
        build(site)
    except BuildError as error:
        print(error, file=sys.stderr)
        return 1
    print(site / "index.html")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
