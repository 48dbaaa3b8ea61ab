"""Draw the house: its rooms and who uses whom, read from the imports.

python .ci/house.py            print the picture, as Mermaid, and the counts
python .ci/house.py --write    put it into DEVELOPERS.md
python .ci/house.py --check    fail if DEVELOPERS.md shows another house
"""

import ast
import sys
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "DEVELOPERS.md"
BEGIN, END = "<!-- house -->", "<!-- /house -->"


def modules() -> dict:
    """Return the file of every module by its dotted name below the package."""
    paths = [p for top in ("plugin", "algorithms") for p in (ROOT / top).rglob("*.py")]
    return {
        ".".join(p.relative_to(ROOT).with_suffix("").parts).replace(".__init__", ""): p
        for p in paths
    }


def room(module: str, files: dict) -> str:
    """Return the room of a module: its package; what lies in a package's own folder is shared."""
    is_package = files[module].name == "__init__.py"
    return module if is_package else module.rpartition(".")[0]


def imports(module: str, files: dict):
    """Yield the modules of the house that a module imports."""
    path = files[module]
    package = module.split(".") if path.name == "__init__.py" else module.split(".")[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.ImportFrom) or not node.level:
            continue
        base = package[: len(package) - node.level + 1]
        target = ".".join([*base, *(node.module or "").split(".")]).strip(".")
        for name in node.names:
            inner = f"{target}.{name.name}"
            if inner in files:
                yield inner
            elif target in files:
                yield target


def arrows() -> Counter:
    """Return how many imports lead from room to room."""
    files = modules()
    return Counter(
        (room(module, files), room(target, files))
        for module in files
        for target in set(imports(module, files))
        if room(module, files) != room(target, files)
    )


def picture() -> str:
    """Return the house as a Mermaid flowchart: its floors, and what the upper ones use."""
    files = modules()
    sizes = Counter(room(module, files) for module in files)
    names = {each: each.replace(".", "_") for each in sorted(sizes)}
    floors = {"plugin": [], "toolbox": [], "rooms of work": [], "core": []}
    for each in names:
        floor = (
            "plugin"
            if each.startswith("plugin")
            else "core"
            if each.startswith("algorithms.core")
            else "rooms of work"
            if each == "algorithms" or "._" in each
            else "toolbox"
        )
        floors[floor].append(each)
    lines = ["flowchart TD"]
    for floor, rooms in floors.items():
        lines.append(f'  subgraph "{floor}"')
        for each in rooms:
            label = each.replace("algorithms.", "") + f" ({sizes[each]})"
            lines.append(f'    {names[each]}["{label}"]')
        lines.append("  end")
    found = arrows()
    for (here, there), _ in sorted(found.items()):
        if not (there == "algorithms.core" or there == "algorithms"):
            lines.append(f"  {names[here]} --> {names[there]}")
    count = f"{len(files)} modules in {len(sizes)} rooms, {len(found)} arrows between rooms."
    shared = "Arrows to `algorithms` and `core` themselves, which all use, are left out."
    return "\n".join(["```mermaid", *lines, "```", "", f"{count} {shared}"])


def main():
    drawn = f"{BEGIN}\n{picture()}\n{END}"
    if "--write" not in sys.argv and "--check" not in sys.argv:
        print(drawn)
        return
    text = PAGE.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    if "--write" in sys.argv:
        PAGE.write_text(f"{before}{drawn}{after}", encoding="utf-8")
    elif f"{before}{drawn}{after}" != text:
        sys.exit("DEVELOPERS.md shows another house; run python .ci/house.py --write")


if __name__ == "__main__":
    main()
