"""The shape of the house: imports, packages, wheel, public names."""

import ast
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def _imports(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: a relative import"
            names.add(node.module or "")
    return names


def _calls(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {
        node.func.id
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }


MODELS = sorted((ROOT / "models").rglob("*.py"))


@pytest.mark.parametrize("path", MODELS, ids=lambda path: path.name)
def test_models_know_only_the_vocabulary_and_touch_nothing(path: Path) -> None:
    ours = {name for name in _imports(path) if name.split(".")[0] == "phenology"}
    strangers = {name for name in ours if not name.startswith("phenology.models")}
    assert strangers <= {"phenology.quantities"}
    forbidden = {"os", "pathlib", "time", "datetime", "altair", "matplotlib", "rich", "typer"}
    assert not {name.split(".")[0] for name in _imports(path)} & forbidden
    assert not _calls(path) & {"open", "print", "input"}


def test_nobody_imports_the_models_folder_by_its_bare_name() -> None:
    for path in [*ROOT.glob("phenology/**/*.py"), *MODELS, *ROOT.glob("tests/**/*.py")]:
        assert not any(name.split(".")[0] == "models" for name in _imports(path)), path


def test_the_vocabulary_imports_nothing() -> None:
    assert _imports(ROOT / "phenology" / "quantities.py") == set()


def _packages_on_disk() -> set[str]:
    found = {"phenology", "phenology.models"}
    for folder, package in (
        (ROOT / "phenology", "phenology"),
        (ROOT / "models", "phenology.models"),
    ):
        for init in folder.rglob("__init__.py"):
            parts = init.parent.relative_to(folder).parts
            if parts and parts[0] != "models":
                found.add(".".join((package, *parts)))
    return found


def test_the_package_list_names_every_folder() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    assert set(declared["packages"]) == _packages_on_disk()


def test_the_public_names_are_the_listed_ones_and_load() -> None:
    import phenology

    assert set(phenology.__all__) == {
        "Assessment",
        "Estimates",
        "Study",
        "StudyError",
        "assess_study",
        "open_study",
    }
    assert all(getattr(phenology, name) is not None for name in phenology.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        phenology.nothing  # noqa: B018


def test_importing_the_package_loads_no_heavy_library() -> None:
    heavy = "{'jax', 'pandas', 'xarray', 'numpy', 'sklearn', 'altair', 'typer'}"
    code = f"import sys, phenology, phenology.compute; print({heavy} & set(sys.modules))"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "set()"


def test_the_wheel_holds_code_and_data_and_nothing_else(tmp_path: Path) -> None:
    source = tmp_path / "source"  # a copy: setuptools leaves a build folder where it works
    for folder in ("phenology", "models"):
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / folder, source / folder, symlinks=True, ignore=ignored)
    for name in ("pyproject.toml", "README.md", "LICENSE", "NOTICE"):
        shutil.copy(ROOT / name, source)
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", tmp_path]
    subprocess.run([*command, source], check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    names = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    tracked = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "phenology", "models"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    expected = {
        name if name.startswith("phenology/") else f"phenology/{name}"
        for name in tracked
        if name != "phenology/models"
    }
    assert names == expected


def test_constraints_pin_every_requirement_exactly() -> None:
    pins = (ROOT / "constraints.txt").read_text().split()
    assert all(pin.count("==") == 1 for pin in pins if not pin.startswith((";", "sys", "python")))
    pinned = {pin.split("==")[0] for pin in pins}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"]]
    for extra in project["optional-dependencies"].values():
        wanted += extra
    names = {_bare(requirement) for requirement in wanted}
    assert names <= pinned, names - pinned


def _bare(requirement: str) -> str:
    for sign in "<>=,;[ ":
        requirement = requirement.split(sign, maxsplit=1)[0]
    return requirement
