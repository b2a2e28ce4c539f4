"""Sweeps on a real scheduler and worker processes: same bits, and nothing lost to any death."""

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from sim.command_line import main
from sim.files.comparison import compare_runs
from sim.sweeps import cluster, cluster_checks
from sim.sweeps.cluster_checks import ClusterError, differences, require_scheduler
from sim.sweeps.cluster_run import write_files
from sim.sweeps.folder import SweepFolder
from tests.reference.away import POINTS, sweep_away
from tests.reference.small_film import small_film

distributed = pytest.importorskip("distributed", reason="a cluster needs Dask distributed")

PROJECT = Path(__file__).parents[2]
RUNS = [f"runs/point_{k}_replica_1" for k in range(1, len(POINTS) + 1)]
PATIENCE = 180.0
STARTED = []
"""Processes of the test that runs."""


def start(words, folder, started=STARTED):
    """Start a Python process that sees the project but works in a folder of its own."""
    environment = os.environ | {"PYTHONPATH": str(PROJECT)}
    folder.mkdir(exist_ok=True)
    with (folder / "log.txt").open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", *map(str, words)], cwd=folder, env=environment,
            stdout=log, stderr=log,
        )  # fmt: skip
    started.append(process)
    return process


def kill_all(started):
    for process in started:
        process.kill()
        process.wait()
    started.clear()


@pytest.fixture(autouse=True)
def nothing_left():
    """End what a failed test has left."""
    yield
    kill_all(STARTED)


def until(met, what):
    """Wait for something."""
    end = time.monotonic() + PATIENCE
    while not met():
        assert time.monotonic() < end, f"waited for {what}"
        time.sleep(0.05)


def end(process):
    process.terminate()
    try:
        process.wait(PATIENCE)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def start_scheduler(folder, started=STARTED):
    """Start a scheduler on a port of the system's choice; return process and address."""
    record = folder / "scheduler.json"
    process = start(
        ["distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
         "--no-dashboard", "--scheduler-file", record], folder / "scheduler", started,
    )  # fmt: skip
    until(lambda: record.exists() and record.read_text().strip(), "a scheduler")
    return process, json.loads(record.read_text())["address"]


def start_workers(address, folder, started=STARTED):
    """Start two workers; each is replaced by its nanny when it dies."""
    return start(
        ["distributed.cli.dask_worker", address, "--nworkers", "2", "--nthreads", "1",
         "--no-dashboard", "--host", "127.0.0.1", "--local-directory", folder / "workers"],
        folder / "workers", started,
    )  # fmt: skip


def await_workers(address):
    with distributed.Client(address) as client:
        client.wait_for_workers(2, timeout=PATIENCE)


@pytest.fixture
def scheduler(tmp_path):
    """Return the address of a scheduler of this test alone."""
    process, address = start_scheduler(tmp_path)
    yield address
    end(process)


@pytest.fixture(scope="module")
def standing(tmp_path_factory):
    """Return address and folder of a scheduler with two workers that outlive the tests."""
    folder, started = tmp_path_factory.mktemp("standing"), []
    try:
        scheduler, address = start_scheduler(folder, started)
        workers = start_workers(address, folder, started)
        await_workers(address)
        yield address, folder
        end(workers)
        end(scheduler)
    finally:
        kill_all(started)


@pytest.fixture
def cluster_of_two(standing):
    """Return the address of the standing scheduler, both workers of which are there."""
    await_workers(standing[0])
    return standing[0]


@pytest.fixture(scope="module")
def here(tmp_path_factory):
    """Return the same sweep done on this machine."""
    from sim.sweeps.sweep import sweep
    from tests.reference.away import four_points, no_kernels, point

    folder = tmp_path_factory.mktemp("sweep") / "here"
    sweep(four_points(), folder, point=point, workers=1, warm_up=no_kernels)
    return folder


def require_same(one, other):
    """Check that two sweeps hold the same runs, bit for bit."""
    for run in RUNS:
        assert SweepFolder(one).outcome(run).state == "finished"
        assert not compare_runs(one / run, other / run).differences


def where(folder, run):
    """Return process and folder of each attempt at a run."""
    lines = (folder / run / ".where").read_text().splitlines()
    return [line.split(" ", 1) for line in lines]


def test_same_bits_without_a_shared_disk(cluster_of_two, standing, here, tmp_path):
    shares, workers = [], standing[1] / "workers"
    before = set(workers.rglob("run.h5"))
    done = sweep_away(
        cluster_of_two, tmp_path / "away", 0.03, on_progress=lambda p: shares.append(p)
    )
    assert done.finished
    require_same(tmp_path / "away", here)
    for run in RUNS:
        ((process, folder),) = where(tmp_path / "away", run)
        assert int(process) != os.getpid()
        assert Path(folder).is_relative_to(workers)
    assert max(len(progress.steps_of_runs) for progress in shares) == 2
    assert any(0 < progress.share < 4 and progress.steps_of_runs for progress in shares)
    leftovers = [p for p in (tmp_path / "away").rglob("*") if p.suffix == ".part"]
    assert leftovers == []
    assert set(workers.rglob("run.h5")) <= before


def test_a_scheduler_and_workers_of_this_machine(here, tmp_path):
    assert sweep_away("local", tmp_path / "away").finished
    require_same(tmp_path / "away", here)


def test_a_worker_that_dies_loses_nothing(cluster_of_two, here, tmp_path):
    folder, killed = tmp_path / "away", []

    def kill_one(progress):
        if not killed and any(step > 10 for step, _ in progress.steps_of_runs):
            with distributed.Client(cluster_of_two) as client:
                killed.append(min(client.run(os.getpid).values()))
            os.kill(killed[0], signal.SIGKILL)

    assert sweep_away(cluster_of_two, folder, 0.03, on_progress=kill_one).finished
    assert killed
    require_same(folder, here)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT])
def test_a_client_that_dies_goes_on_with_resume(cluster_of_two, here, tmp_path, number):
    folder = tmp_path / "away"
    client = start(["tests.reference.away", cluster_of_two, folder, 0.05], tmp_path / "client")
    ended = lambda: [run for run in RUNS if (folder / run / "outcome.json").exists()]  # noqa: E731
    until(lambda: len(ended()) == 2 and list(folder.rglob("progress.json")), "two runs")
    client.send_signal(number)
    client.wait(PATIENCE)
    kept = {run: (folder / run / "run.h5").stat().st_mtime_ns for run in RUNS[:2]}
    half = [run for run in RUNS if (folder / run / "checkpoint.h5").exists()]
    assert (len(half) > 2) == (number == signal.SIGINT)
    with distributed.Client(
        cluster_of_two
    ) as watch:  # workers do not go on for a client that is gone
        until(lambda: not any(watch.processing().values()), "idle workers")
    assert sweep_away(cluster_of_two, folder, resume=True).finished
    assert all((folder / run / "run.h5").stat().st_mtime_ns == kept[run] for run in kept)
    require_same(folder, here)


def test_without_a_scheduler_the_sweep_ends_and_can_go_on(scheduler, here, tmp_path):
    """Whoever is at work is lost with the scheduler; the sweep says so and is not hung."""
    folder = tmp_path / "away"
    workers = start_workers(scheduler, tmp_path)
    await_workers(scheduler)
    client = start(["tests.reference.away", scheduler, folder, 0.1], tmp_path / "client")
    until(lambda: list(folder.rglob("progress.json")), "a run at work")
    record = json.loads((tmp_path / "scheduler.json").read_text())
    with distributed.Client(record["address"]) as watch:
        process = watch.run_on_scheduler(os.getpid)
    os.kill(process, signal.SIGKILL)
    assert client.wait(PATIENCE) == 0
    outcomes = [SweepFolder(folder).outcome(run) for run in RUNS]
    assert {outcome.reason for outcome in outcomes} == {"the scheduler or its workers were gone"}
    assert sweep_away(None, folder, resume=True).finished
    require_same(folder, here)
    end(workers)


def test_without_workers_a_sweep_waits_and_can_be_stopped(scheduler, tmp_path):
    said, folder = [], tmp_path / "away"
    with cluster.cluster_workers(scheduler, folder, None, said.extend):
        assert said == [f"no worker has joined {scheduler} yet; the sweep waits for them"]
    stop = threading.Timer(2.0, os.kill, (os.getpid(), signal.SIGINT))
    stop.start()
    done = sweep_away(scheduler, folder)
    assert done.interrupted
    assert not done.count("failed")


@pytest.mark.parametrize(
    "address",
    ["host:8786", "tcp://", "tcp://host", "tcp://host:0", "tcp://host:99999", "http://host:8786",
     "tcp://a b:1", "tcp://host:8786/x", "LOCAL", ""],
)  # fmt: skip
def test_a_malformed_address_is_refused(address, tmp_path, capsys):
    film = tmp_path / "film.toml"
    film.write_text(small_film() + '[sweep]\n"field.strength" = ["5 mT"]\n')
    assert main(["sweep", str(film), "-o", str(tmp_path / "out"), "--cluster", address]) == 2
    said = capsys.readouterr().err
    assert '--cluster must be local or an address such as "tcp://host:8786"; received' in said
    assert not (tmp_path / "out").exists()


def test_no_scheduler_and_no_extra_are_told(tmp_path, capsys, monkeypatch):
    film = tmp_path / "film.toml"
    film.write_text(small_film() + '[sweep]\n"field.strength" = ["5 mT"]\n')
    words = ["sweep", str(film), "-o", str(tmp_path / "out"), "--cluster", "tcp://127.0.0.1:1"]
    monkeypatch.setattr(cluster, "CONNECT_SECONDS", 1.0)
    assert main(words) == 2
    assert "none answers at tcp://127.0.0.1:1 within 1 s" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(words) == 2
    assert 'install it with: pip install "chainfilm[cluster]"' in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def serve(answer):
    """Listen on a port of the system's choice; give each that calls to a function."""
    port = socket.create_server(("127.0.0.1", 0))

    def wait():
        with contextlib.suppress(OSError):
            while True:
                answer(port.accept()[0])

    threading.Thread(target=wait, daemon=True).start()
    return port, f"tcp://127.0.0.1:{port.getsockname()[1]}"


KEPT = []


@pytest.mark.parametrize(
    "answer",
    [
        KEPT.append,  # takes the connection, and says nothing
        lambda caller: caller.close(),
        lambda caller: (caller.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 9), caller.close()),
        lambda caller: (caller.sendall(bytes(range(255, 0, -1)) * 9), caller.close()),
    ],
    ids=["silent", "closes", "another protocol", "nonsense"],
)
def test_what_is_no_scheduler_is_told_in_time(answer, tmp_path, capsys, monkeypatch):
    """A port that is open but silent kept the program waiting for ever."""
    film = tmp_path / "film.toml"
    film.write_text(small_film() + '[sweep]\n"field.strength" = ["5 mT"]\n')
    monkeypatch.setattr(cluster, "CONNECT_SECONDS", 1.0)
    port, address = serve(answer)
    began = time.monotonic()
    try:
        words = ["sweep", str(film), "-o", str(tmp_path / "out"), "--cluster", address]
        assert main(words) == 2
    finally:
        port.close()
    assert time.monotonic() - began < 30.0
    told = capsys.readouterr().err.splitlines()
    assert told[-1].endswith(f"none answers at {address} within 1 s")
    assert not (tmp_path / "out").exists()


def test_certificates_are_asked_for(tmp_path):
    with (
        pytest.raises(ClusterError, match=r"needs certificates, .* under distributed\.comm\.tls"),
        cluster.cluster_workers("tls://127.0.0.1:1", tmp_path, None, print),
    ):
        pass


BARE = """
import sys
sys.modules["sim"] = sys.modules["analysis"] = None  # as where they are not installed
from distributed.cli.dask_worker import main
main()
"""


def test_workers_that_lack_the_program_or_are_others_or_silent(scheduler, tmp_path, monkeypatch):
    words = [scheduler, "--no-nanny", "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1",
             "--local-directory", str(tmp_path / "local")]  # fmt: skip
    bare = subprocess.Popen([sys.executable, "-c", BARE, *words], stderr=subprocess.DEVNULL)
    STARTED.append(bare)
    with distributed.Client(scheduler) as client:
        client.wait_for_workers(1, timeout=PATIENCE)
        with pytest.raises(ClusterError, match="must have this chainfilm installed; one says"):
            differences(client, scheduler, 60.0)
        end(bare)
        until(lambda: not client.scheduler_info()["workers"], "its end")
        whole = start(["distributed.cli.dask_worker", *words], tmp_path / "worker")
        client.wait_for_workers(1, timeout=PATIENCE)
        (address,) = client.scheduler_info()["workers"]
        assert differences(client, scheduler, 60.0) == []
        with pytest.raises(ClusterError, match=r"of a scheduler; what answers at .* is a worker"):
            require_scheduler(address, 60.0)
        monkeypatch.setattr(cluster_checks, "sources", lambda: "0" * 12)
        (notice,) = differences(client, scheduler, 60.0)
        assert notice.startswith("workers have another sources (")
        assert notice.endswith("than this machine (000000000000): results may differ")
        whole.send_signal(signal.SIGSTOP)
        (notice,) = differences(client, scheduler, 0.5)
        assert notice.startswith(f"not all workers of {scheduler} answer within 0.5 s")
        whole.send_signal(signal.SIGCONT)


@pytest.mark.parametrize("name", ["../outside", "/tmp/outside", "figures/../../outside"])
def test_a_worker_writes_in_the_folder_of_its_run_only(tmp_path, name):
    with pytest.raises(ValueError, match="may write in its folder only"):
        write_files(tmp_path / "run", {name: b"bytes"})
    assert [path.name for path in tmp_path.rglob("*")] == ["run"]
