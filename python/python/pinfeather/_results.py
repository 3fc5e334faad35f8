"""What a study's analysis found."""

from __future__ import annotations

import html
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa


@dataclass(frozen=True)
class Figure:
    """A figure as SVG; a notebook shows it."""

    name: str
    svg: str = field(repr=False)

    def _repr_html_(self) -> str:
        return self.svg

    def save(self, path: str | os.PathLike[str]) -> None:
        """Writes the SVG to a file."""
        Path(path).write_text(self.svg, encoding="utf-8")


class Figures(Mapping[str, Figure]):
    """Figures by name; a notebook shows all."""

    def __init__(self, figures: Mapping[str, Figure]) -> None:
        self._figures = dict(figures)

    def __getitem__(self, name: str) -> Figure:
        return self._figures[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._figures)

    def __len__(self) -> int:
        return len(self._figures)

    def __repr__(self) -> str:
        return f"Figures({', '.join(self)})"

    def _repr_html_(self) -> str:
        shown = (
            f"<figure>{figure.svg}<figcaption>{html.escape(name)}</figcaption></figure>"
            for name, figure in self._figures.items()
        )
        return "\n".join(shown)


@dataclass(frozen=True)
class Results:
    """Tables, figures and words of an analysis.

    ``answers`` is the list of answers (``question``, ``strain``, ``trait``, ``quantity``, ``age_d``, ``unit``,
    ``estimate``, ``std_error``, ``lower``, ``upper``, ..., ``status``, ``caution``), the same list that the program
    writes to ``answers.csv``; ``None`` where a function answers by its tables alone. ``tables`` has every result table
    by name, missing values null; each field's metadata has its ``unit`` and ``meaning``. ``figures`` are SVG.
    ``equations`` are saved equations by response, as TOML text. ``warnings`` are what needs attention, ``words`` the
    results in sentences.
    """

    tables: Mapping[str, pa.Table]
    figures: Figures
    equations: Mapping[str, str]
    words: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def answers(self) -> pa.Table | None:
        return self.tables.get("answers")

    def save_equations(self, folder: str | os.PathLike[str]) -> list[Path]:
        """Writes each equation to ``folder`` as ``RESPONSE.toml``, for ``correct`` and for the program."""
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        paths = []
        for name, text in self.equations.items():
            plain = "".join(c if c.isalnum() or c in "_-" else "_" for c in name)
            paths.append(folder / f"{plain}.toml")
            paths[-1].write_text(text, encoding="utf-8")
        return paths

    def __repr__(self) -> str:
        sizes = ", ".join(f"{name} ({table.num_rows} rows)" for name, table in self.tables.items())
        return f"Results(tables: {sizes or 'none'}; figures: {', '.join(self.figures) or 'none'})"

    def _repr_html_(self) -> str:
        words = "".join(f"<p>{html.escape(line)}</p>" for line in self.words)
        return f"{words}\n{self.figures._repr_html_()}"
