"""In service: schedules in words, the flows as deployments, no telemetry, and a plain run that knows nothing of it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from pipeline.settings import SettingsError, is_cron, is_time_zone, parse_settings, template

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def run_python(code: str, *words: str, **env: str) -> str:
    clean = {k: v for k, v in os.environ.items() if not k.startswith("PREFECT_") and k != "DO_NOT_TRACK"}
    done = subprocess.run([sys.executable, "-c", code, *words], cwd=ROOT, env=clean | env, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout


class TestSettings:
    def test_every_default_is_explained_and_is_what_is_used(self):
        section = template().split("[schedule]\n")[1].split("\n\n")[0]
        told = tomllib.loads("\n".join(x.removeprefix("# ") for x in section.splitlines() if re.match(r"# \w+ = ", x)))
        made = parse_settings("").schedule
        assert told == {k: getattr(made, k) for k in ("load_cron", "publish_cron", "time_zone", "wait_minutes", "port")}
        assert section.count("#") > 2 * len(told) - 1

    @pytest.mark.parametrize("text", ["0 6 2 * *", "*/15 6-18 1,15 jan mon", "59 23 31 12 7"])
    def test_cron_that_is_cron(self, text):
        assert is_cron(text)

    @pytest.mark.parametrize("text", ["", "0 6 2 *", "60 0 1 * *", "0 24 1 * *", "0 0 0 * *", "0 0 1 13 *", "0 0 9-3 * *", "*/0 * * * *",
                                      "every day", "@daily"])
    def test_cron_that_is_not(self, text):
        assert not is_cron(text)

    def test_prefect_takes_what_is_called_cron_here(self):
        from prefect._vendor.croniter import croniter

        for text in ("0 6 2 * *", "*/15 6-18 1,15 jan mon", "59 23 31 12 7"):
            assert croniter.is_valid(text)

    @pytest.mark.parametrize(("line", "word"), [('publish_cron = "monthly"', "five fields"), ('time_zone = "Nowhere/Land"', "IANA"),
                                                ("wait_minutes = -1", "0 or more"), ("port = 99999", "port")])
    def test_a_wrong_one_says_what_to_write(self, line, word):
        with pytest.raises(SettingsError, match=word):
            parse_settings(f"[schedule]\n{line}\n")

    def test_time_zones(self):
        assert is_time_zone("UTC") and not is_time_zone("../etc/passwd") and not is_time_zone("Nowhere/Land")


def test_a_plain_run_and_its_status_import_no_prefect(workspace):
    code = ("import sys; from pathlib import Path; from pipeline import cli, steps, status\n"
            "steps.load(Path(sys.argv[1]), if_new=False); status.status(Path(sys.argv[1]))\n"
            "print(sorted(m for m in sys.modules if m.split('.')[0] in ('prefect', 'distributed')))")
    assert run_python(code, str(workspace)).strip() == "[]"


def test_prefect_sends_nothing_and_keeps_its_state_in_the_workspace(workspace):
    code = ("import sys; from pathlib import Path; from pipeline import schedules; schedules.prepare(Path(sys.argv[1]))\n"
            "from pipeline import flows\nfrom prefect.settings import get_current_settings\ns = get_current_settings()\n"
            "import os\nprint(s.server.analytics_enabled, os.environ['DO_NOT_TRACK'], s.home)")
    assert run_python(code, str(workspace)).split() == ["False", "1", str((workspace / ".lowbeam" / "prefect").resolve())]


def test_the_flows_are_deployments_on_the_schedules_of_the_settings(workspace):
    settings = (workspace / "settings.toml").read_text().replace(
        "[schedule]\n", '[schedule]\nload_cron = "15 4 * * *"\npublish_cron = ""\ntime_zone = "UTC"\nwait_minutes = 2.0\n')
    (workspace / "settings.toml").write_text(settings)
    code = ("import sys; from pathlib import Path; from pipeline import schedules; from pipeline.settings import load_settings\n"
            "folder = Path(sys.argv[1]); schedules.prepare(folder)\nfrom pipeline import flows\n"
            "for d in flows.deployments(folder, load_settings(folder / 'settings.toml')):\n"
            "    print(d.flow_name, d.entrypoint, d.parameters['folder'] == str(folder.resolve()), d.parameters['wait_seconds'],\n"
            "          [(s.schedule.cron, s.schedule.timezone) for s in d.schedules or []])")
    assert run_python(code, str(workspace)).splitlines() == [
        "lowbeam-load pipeline.flows.lowbeam_load True 120.0 [('15 4 * * *', 'UTC')]",
        "lowbeam-publish pipeline.flows.lowbeam_publish True 120.0 []"]


def test_a_month_that_was_missed_is_found(workspace):
    import datetime as dt

    from pipeline import journal, schedules
    from pipeline.store import Workspace

    here = Workspace(workspace)
    started = dt.datetime.fromisoformat(journal.last_runs(here, 50)[-1]["started_at"])
    assert schedules.is_overdue(here, started + dt.timedelta(days=31))
    assert not schedules.is_overdue(here, started - dt.timedelta(days=1))
    code = ("import datetime as dt; from pipeline.flows import last_due\n"
            "now = dt.datetime(2025, 3, 31, 12, tzinfo=dt.UTC)\n"
            "print(last_due('0 6 2 * *', 'UTC', now), last_due('30 2 * * *', 'Etc/GMT-3', now))")
    assert run_python(code).strip() == "2025-03-02 06:00:00+00:00 2025-03-30 23:30:00+00:00"


def test_blank_schedules_and_a_port_in_use_are_one_message(workspace):
    import socket

    from pipeline import schedules
    from pipeline.store import StoreError

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(StoreError, match="schedule.port"):
            schedules._free_port(taken.getsockname()[1])
    text = (workspace / "settings.toml").read_text()
    (workspace / "settings.toml").write_text(text.replace("[schedule]\n", '[schedule]\nload_cron = ""\npublish_cron = ""\n'))
    done = subprocess.run([sys.executable, "-m", "pipeline.cli", "schedule", str(workspace)], cwd=ROOT, capture_output=True,
                          text=True, timeout=60)
    assert done.returncode == 1 and "nothing to keep" in done.stderr


def test_what_the_readme_gives_a_server_is_there():
    """The entry points of the deployment file, and the commands in the unit and cron lines."""
    import importlib

    section = README.split("## In service")[1].split("\n## ")[0]
    found = re.findall(r"entrypoint: (\S+)", section)
    assert len(found) == 2
    for entry in found:
        module, name = entry.rsplit(".", 1)
        assert hasattr(importlib.import_module(module), name)
    for command in re.findall(r"bin/lowbeam (\w+)", section):
        done = subprocess.run([sys.executable, "-m", "pipeline.cli", command, "--help"], cwd=ROOT, capture_output=True,
                              text=True, timeout=60)
        assert done.returncode == 0, command
