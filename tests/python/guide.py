"""The Python code of a chapter, run and compared with what is printed there: lines "#> ..." are the output of the
statement above. With a second argument "write" the chapter is written anew."""

import ast
import contextlib
import difflib
import io
import os
import sys
import tempfile
from pathlib import Path

page = Path(sys.argv[1]).resolve()
text = page.read_text(encoding="utf-8")
pullets = (page.parents[2] / "r" / "data" / "pullets.tab").read_text()
names: dict[str, object] = {}


def run(code: list[str]) -> list[str]:
    """The statements with what each prints; of an expression its value, as a notebook shows it."""
    source = "\n".join(line for line in code if not line.startswith("#>"))
    done: list[str] = []
    lines = source.split("\n")
    written = 0
    for statement in ast.parse(source).body:
        done += lines[written : statement.end_lineno]
        written = statement.end_lineno or 0
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            if isinstance(statement, ast.Expr):
                value = eval(compile(ast.Expression(statement.value), "guide", "eval"), names)
                if value is not None:
                    print(value)
            else:
                exec(compile(ast.Module([statement], []), "guide", "exec"), names)
        done += [f"#> {line}".rstrip() for line in printed.getvalue().splitlines()]
    return done + lines[written:]


now: list[str] = []
block: list[str] | None = None
with tempfile.TemporaryDirectory() as place:
    os.chdir(place)
    Path("pullets.csv").write_text(pullets.replace(" ", ","))
    for line in text.split("\n"):
        if block is None:
            now.append(line)
            block = [] if line == "```python" else None
        elif line == "```":
            now += [*run(block), line]
            block = None
        else:
            block.append(line)
    os.chdir(page.parent)
if len(sys.argv) > 2:
    page.write_text("\n".join(now), encoding="utf-8")
elif "\n".join(now) != text:
    print("\n".join(difflib.unified_diff(text.split("\n"), now, "as printed", "now", lineterm="")))
    sys.exit(f"{page} does not have what its Python code prints now: the lines above")
