"""A Dask cluster serves as executor: the workers of its own local cluster."""

from pathlib import Path

import pytest

from analyzer.triage import Order, Workers, files_in, triage
from rules import all_rules
from tests.workers import DEADLY, treacherous_rules

FAULTY = Path(__file__).parents[2] / "captures" / "port-refused.pcap"
PATIENT = "300s"
"""A busy machine may take long to start a worker."""


@pytest.mark.filterwarnings("default")  # those of other packages are not ours to end
def test_a_cluster_gives_the_rows_and_tells_of_workers_that_die(tmp_path: Path) -> None:
    """A file whose worker dies costs one row."""
    import dask
    import distributed

    for number in range(3):
        (tmp_path / f"file-{number}").write_bytes(FAULTY.read_bytes())
    files = files_in([str(tmp_path)])
    with (
        dask.config.set(
            {
                "distributed.scheduler.allowed-failures": 0,
                "distributed.comm.timeouts.connect": PATIENT,
            }
        ),
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address=None,
            local_directory=str(tmp_path / ".dask"),
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        workers = Workers(client.get_executor())
        done = [row for one in triage(files, Order(all_rules), workers) for row in one.rows]
        assert len(done) == 3
        assert {row.rule for row in done} == {"port-refused"}
        (tmp_path / DEADLY).write_bytes(FAULTY.read_bytes())
        deadly = files_in([str(tmp_path / DEADLY)])
        (lost,) = triage(deadly, Order(treacherous_rules), workers)
        assert "No answer" in lost.rows[0].finding
