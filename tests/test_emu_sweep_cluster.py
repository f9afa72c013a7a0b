"""A sweep on a Dask cluster: a LocalCluster on loopback gives the same table."""
from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from knowngood_bench import FULL

from emu.cli import group
from emu.errors import InputError

distributed = pytest.importorskip("distributed", reason="Dask is not installed")
pytestmark = pytest.mark.filterwarnings("ignore")  # Dask's own


def test_a_local_cluster_gives_the_same_table() -> None:
    options = ["sweep", str(FULL), "--each-card", "--part", "nmos", "--part", "cmos",
               "--until", "tw> ", "--limit", "0.1", "--json"]
    here = CliRunner().invoke(group, [*options, "--jobs", "1"])
    with distributed.LocalCluster(n_workers=1, threads_per_worker=2, host="127.0.0.1",
                                  dashboard_address=None) as cluster:
        there = CliRunner().invoke(group, [*options, "--cluster", cluster.scheduler_address])
    assert here.exit_code == there.exit_code == 1, there.output
    assert json.loads(there.stdout) == json.loads(here.stdout)
    assert json.loads(there.stdout)["boot"] == 4


def test_nobody_answers() -> None:
    result = CliRunner().invoke(group, ["sweep", str(FULL), "--seeds", "2", "--cluster",
                                        "tcp://127.0.0.1:9"])
    assert isinstance(result.exception, InputError)
    assert "no Dask scheduler answers there" in str(result.exception)
