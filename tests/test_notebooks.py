"""The notebooks run from top to bottom, are kept without outputs, and say what is simulated."""

from __future__ import annotations

import ast
import json
from pathlib import Path
from typing import Any

import nbformat
import pytest

import tuneassist
from tuneassist import simulate

pytest.importorskip("ipykernel", reason="a kernel is needed to run notebooks")

ROOT = Path(__file__).resolve().parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
NAMES = ("cell_coverage", "whole_tune")


def test_both_notebooks_are_there() -> None:
    assert tuple(path.stem for path in NOTEBOOKS) == NAMES


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_small_has_no_outputs_and_names_no_machine(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text) < 20_000
    cells = json.loads(text)["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert len(code) > 4
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in code)
    assert "simulated" in "".join(cells[0]["source"])
    assert "http" not in text
    assert "/home/" not in text and "C:\\" not in text


PUBLIC = {"tuneassist": tuneassist.__all__, "tuneassist.simulate": simulate.__all__}
"""What a notebook may use, by the module that it comes from."""


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_uses_public_names_only(path: Path) -> None:
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    code = "\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "code")
    tree = ast.parse(code)
    used = {
        (node.module or "", name.name)
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for name in node.names
    }
    plain = {n.name for node in ast.walk(tree) if isinstance(node, ast.Import) for n in node.names}
    own = {(module, name) for module, name in used if module.startswith("tuneassist")}
    assert len(own) > 4 and not any(name.startswith("tuneassist") for name in plain)
    assert {(m, n) for m, n in own if n not in PUBLIC.get(m, ())} == set()
    private = [n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)]
    assert not [name for name in private if name.startswith("_")]


@pytest.mark.filterwarnings("default")  # of the notebook client, not of ours
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_from_top_to_bottom(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from nbclient import NotebookClient

    monkeypatch.setenv("PYTHONWARNINGS", "error::FutureWarning,error::RuntimeWarning")
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    notebook: Any = nbformat.read(path, as_version=4)
    client = NotebookClient(
        notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(ROOT)}}
    )
    client.execute()
    outputs = [o for cell in notebook.cells if cell.cell_type == "code" for o in cell.outputs]
    pictures = [o for o in outputs if "image/png" in o.get("data", {})]
    assert len(pictures) >= 2
    assert not [o for o in outputs if o.output_type == "error" or o.get("name") == "stderr"]
