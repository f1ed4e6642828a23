"""An S3 server of the tests' own, a process on the loopback interface: that of moto 5."""

from __future__ import annotations

import os
import subprocess
import sys
import urllib.error
import urllib.request

from tests.kept_port import KeptPort

BUCKET = "captures"


class ObjectServer:
    """A server with one bucket; it can be stopped, and started again empty."""

    def __init__(self) -> None:
        self._kept = KeptPort()
        self.port = self._kept.number
        self.address = f"http://127.0.0.1:{self.port}"
        self.url = f"s3://{BUCKET}/line"
        self.environment = {
            "AWS_ACCESS_KEY_ID": "station",
            "AWS_SECRET_ACCESS_KEY": "S3cret",
            "AWS_DEFAULT_REGION": "eu-central-1",
            "AWS_ENDPOINT_URL": self.address,
        }
        self.start()

    def start(self) -> None:
        words = [sys.executable, "-c", "from moto.server import main; main()", "-H", "127.0.0.1", "-p", str(self.port)]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self._process = subprocess.Popen(words, env={**os.environ, **self.environment}, **quiet)
        while True:  # until it answers
            assert self._process.poll() is None
            try:
                urllib.request.urlopen(urllib.request.Request(f"{self.address}/{BUCKET}", method="PUT")).close()
            except (urllib.error.URLError, ConnectionError):
                continue
            return

    def stop(self) -> None:
        self._process.kill()
        self._process.wait()
