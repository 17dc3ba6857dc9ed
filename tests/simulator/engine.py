"""An engine that is judged: a package in its own environment, and the answers of it that are kept."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import Queue
from tempfile import TemporaryDirectory

HERE = Path(__file__).resolve().parents[2]


class Engine:
    """A package to be judged, and the answers of it that are already in the store."""

    def __init__(self, path, store, jobs):
        self.path, self.jobs = Path(path).resolve(), jobs
        package = self.path / "combust"
        files = sorted(one for one in package.rglob("*") if one.suffix in (".py", ".toml", ".csv"))
        digest = hashlib.sha1()
        for one in files:
            digest.update(str(one.relative_to(package)).encode() + one.read_bytes())
        self.name = digest.hexdigest()[:10]
        self.store = Path(store).resolve() / "answers" / self.name
        self.workers = Queue()
        self.door = TemporaryDirectory()

    def answers(self, label, groups, how, ways=False):
        """Answers to ``groups`` (name -> profile, visits); only visits without an answer in the store are judged."""
        text = json.dumps([how, ways], sort_keys=True)
        path = self.store / f"{label}-{hashlib.sha1(text.encode()).hexdigest()[:8]}.json"
        known = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        lacking = {
            name: one["visits"][len(known.get(name, [])) :]
            for name, one in groups.items()
            if len(known.get(name, [])) < len(one["visits"])
        }
        if lacking:
            jobs = [
                {"profile": groups[name]["profile"], "visits": cases, "how": how, "ways": ways}
                for name, cases in lacking.items()
            ]
            for name, found in zip(lacking, self._judge(jobs), strict=True):
                known.setdefault(name, []).extend(found)
            path.parent.mkdir(parents=True, exist_ok=True)
            part = path.with_suffix(f".{os.getpid()}")
            part.write_text(json.dumps(known), encoding="utf-8")
            part.replace(path)
        return {name: known[name][: len(one["visits"])] for name, one in groups.items()}

    def _judge(self, jobs):
        """Judge with the interpreter of the package, in processes that stay until the end."""
        if self.workers.empty():
            self._start()
        with ThreadPoolExecutor(self.jobs) as pool:
            return list(pool.map(self._one_job, jobs))

    def _start(self):
        # The tests come from here, the package from its own environment: nothing of the working folder is imported.
        door = Path(self.door.name)
        (door / "tests").symlink_to(HERE / "tests")
        environment = os.environ | {"PYTHONPATH": str(door), "OPENBLAS_NUM_THREADS": "1"}
        command = [self.path / ".venv/bin/python", "-P", "-m", "tests.simulator.judge"]
        for _ in range(self.jobs):
            pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
            self.workers.put(subprocess.Popen(command, env=environment, cwd=door, **pipes))

    def _one_job(self, job):
        worker = self.workers.get()
        worker.stdin.write(json.dumps(job) + "\n")
        worker.stdin.flush()
        answer = worker.stdout.readline()
        if not answer:
            raise RuntimeError(f"{self.path}: the judge ended with {worker.wait()}")
        self.workers.put(worker)
        return json.loads(answer)

    def close(self):
        while not self.workers.empty():
            worker = self.workers.get()
            worker.stdin.close()
            worker.wait()
        self.door.cleanup()
