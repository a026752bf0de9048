"""The package's public list is honest, and what the README shows works as written."""

import re
from pathlib import Path

import pytest

import tuneassist

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize("name", tuneassist.__all__)
def test_every_public_name_can_be_had(name: str) -> None:
    assert getattr(tuneassist, name) is not None


def test_the_public_list_is_sorted_and_lists_each_name_once() -> None:
    names = [name for name in tuneassist.__all__ if not name.startswith("__")]
    assert names == sorted(set(names))
    assert set(tuneassist._HOME_OF) == set(names)


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        tuneassist.nothing  # noqa: B018


def test_the_readme_notebook_lines_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    code = re.search(r"```python\n(.*?)```", text, re.DOTALL)
    assert code is not None
    names: dict[str, object] = {}
    exec(code[1], names)
    cells = names["proposal"].cells  # type: ignore[attr-defined]
    assert len(cells) == 144
