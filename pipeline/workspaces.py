"""Make a workspace: an empty one, the demo's, or one with an invented world of any size."""

from __future__ import annotations

import os
from pathlib import Path

from pipeline import settings
from pipeline.store import StoreError, Workspace, private_files

# The demo's data is invented, so its key need not be secret; a fixed one makes every demo the same to the byte.
_INVENTED_KEY = "6c6f776265616d2d64656d6f2d6b65792d6e6f742d7365637265742d30303031"


def _prepare(folder: Path) -> Workspace:
    workspace = Workspace(folder)
    if workspace.settings_file.exists() or (workspace.incoming.is_dir() and any(workspace.incoming.iterdir())):
        raise StoreError(f"{folder} already holds a workspace. Choose another folder, or run it as it is: lowbeam run {folder}")
    workspace.make_private(folder)
    workspace.make_private(workspace.incoming)
    return workspace


def _write_key(workspace: Workspace, text: str) -> None:
    workspace.make_private(workspace.state)
    descriptor = os.open(workspace.state / "key", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w") as file:
        file.write(text)


def new(folder: Path) -> list[str]:
    """An empty workspace: settings with every default explained, and one header-only example a table in examples/."""
    from pipeline.intake.contracts import example_headers

    with private_files():
        workspace = _prepare(folder)
        workspace.settings_file.write_text(settings.template(), encoding="utf-8")
        examples = folder / "examples"
        examples.mkdir(exist_ok=True)
        for name, header in example_headers().items():
            (examples / f"{name}.csv").write_text(",".join(header) + "\n", encoding="utf-8")
    return [
        f"Made {folder}: settings.toml (every default explained), incoming/ (put your exports there),",
        "  examples/ (one file a table, with our column names; repair_lines alone is enough to start).",
        f"Next: copy your exports into {folder / 'incoming'}, then: lowbeam map {folder}, lowbeam check {folder}, "
        f"lowbeam run {folder}",
    ]


def demo(folder: Path) -> None:
    """The demo's workspace: the committed sample of the invented scenario, made ready to run. An existing demo is kept."""
    import shutil

    if (folder / ".lowbeam" / "demo").exists():
        return
    sample = _sample()
    workspace = _prepare(folder)
    shutil.copytree(sample / "incoming", workspace.incoming, dirs_exist_ok=True)
    shutil.copy(sample / "settings.toml", workspace.settings_file)
    _write_key(workspace, _INVENTED_KEY)
    (workspace.state / "demo").write_text("made by lowbeam demo\n")


def _sample() -> Path:
    import synthetic_data

    return Path(synthetic_data.__file__).parent / "sample"


def split(folder: Path, to: Path, parts: int) -> list[str]:
    """A workspace at `to` with the exports of `folder` split by vehicle into Hive-partitioned Parquet; same settings, same key."""
    import shutil

    from pipeline.intake.split import split_exports
    from pipeline.store import open_workspace

    source = open_workspace(folder)
    told_settings = settings.load_settings(source.settings_file)
    with private_files():
        made = _prepare(to)
        split_up = split_exports(source.incoming, made.incoming, told_settings, parts)
        _write_key(made, source.key().hex())
        for name in (source.settings_file.name, source.corrections_file.name, *told_settings.intake.vocabulary):
            if (source.root / name).is_file():
                shutil.copy(source.root / name, made.root / name)
        rows = [f"{file},{row},{reason}" for file, row, reason in split_up.set_aside]
        if rows:
            (made.root / "not_split.csv").write_text("\n".join(["file,row,reason", *rows]) + "\n", encoding="utf-8")
    lines = [f"{sum(split_up.written.values()):,} rows of {len(split_up.written)} files written to {parts} parts in {made.incoming}."]
    if rows:
        lines.append(f"{len(rows):,} records could not be split into cells and belong to no vehicle: they are listed in not_split.csv.")
    return [*lines, f"Next: lowbeam spread {to}"]


def world(folder: Path, vehicles: int, seed: int) -> list[str]:
    """The exports and the truth of an invented world, as a workspace ready to run."""
    from synthetic_data import exports, simulate

    workspace = _prepare(folder)
    made = simulate.make_world(vehicles, seed)
    exports.write_world(made, folder)
    _write_key(workspace, _INVENTED_KEY)
    files = sorted(p for p in workspace.incoming.rglob("*") if p.is_file())
    size = sum(p.stat().st_size for p in files)
    return [f"Wrote {len(files)} files ({size / 1e6:.1f} MB) to {workspace.incoming}, settings.toml and truth.json.",
            f"Next: lowbeam run {folder}"]
