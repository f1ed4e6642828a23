"""One simulated bench over three wires: the VISA library, a raw socket, and HiSLIP; with faults as ordered."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pyvisa

from wavewright.instruments.bench import Bench, open_bench
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.connecting import open_link
from wavewright.instruments.link import Link
from wavewright.instruments.wire_log import WireLog
from wavewright.instruments.wire_settings import WireSettings
from wavewright.simulation.library import SimulatedVisa, open_library
from wavewright.simulation.server.serving import BenchServer

SIM = Path(__file__).parents[2] / "sim"
WIRES = ("library", "raw socket", "HiSLIP")
# half a block, or silence, ends a wait after this patience: real time over sockets
QUICK = (
    "wavewright-profile: 1\nname: quick\nextends: scpi-{role}\n"
    "quirks: {{timeout: 200 ms, record_timeout: 500 ms}}\n{more}"
)
PATIENCE = WireSettings(timeout=0.2)


@dataclass(frozen=True)
class OnAWire:
    """The bench file to open, and its simulated library, to ask the devices themselves."""

    wire: str
    bench_file: Path
    library: SimulatedVisa

    def link(self, name: str, manners: WireSettings = PATIENCE, wire_log: WireLog | None = None) -> Link:
        """A link to one instrument, over PyVISA as a run opens it."""
        file = load_bench(self.bench_file)
        return open_link(
            self._manager(), file.instruments[name].resource, name=name, manners=manners, wire_log=wire_log
        )

    @contextmanager
    def bench(self, *names: str, wire_log: WireLog | None = None) -> Iterator[Bench]:
        """The bench as a run opens it."""
        file = load_bench(self.bench_file)
        with open_bench(file, names or None, manager=self._manager(), wire_log=wire_log) as opened:
            yield opened

    def _manager(self) -> pyvisa.ResourceManager:
        return pyvisa.ResourceManager(self.library if self.wire == "library" else "@py")

    def outputs_on(self) -> list[str]:
        """The devices whose output really is on."""
        return [
            name
            for name, device in self.library.instruments.items()
            if any(role in name for role in ("supply", "source")) and bool(device.instrument.settings["output"])
        ]


@contextmanager
def on_a_wire(folder: Path, wire: str, *, faults: str = "", digitizer: str = "") -> Iterator[OnAWire]:
    """The bench over that wire while the block lasts.

    Parameters
    ----------
    faults : what stands after `faults:` in a fault file, or the path of one.
    digitizer : more lines for the digitizer's profile.
    """
    ordered = ""
    if faults:
        path = Path(faults) if faults.endswith(".yaml") else folder / "faults.yaml"
        if path != Path(faults):
            path.write_text(f"wavewright-faults: 1\nfaults: {faults}\n", encoding="utf-8")
        ordered = f"faults: {path}, "
    text = (
        (SIM / "bench.yaml")
        .read_text(encoding="utf-8")
        .replace('"instruments.yaml', f'"{SIM.as_posix()}/instruments.yaml')
    )
    text = text.replace("{board: vc204.yaml", f"{{{ordered}board: {SIM.as_posix()}/vc204.yaml")
    for role in ("digitizer", "supply", "source", "meter"):
        text = text.replace(f"profile: scpi-{role}", f"profile: {role}.yaml")
        more = digitizer if role == "digitizer" else ""
        (folder / f"{role}.yaml").write_text(QUICK.format(role=role, more=more), encoding="utf-8")
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    with ExitStack() as stack:
        if wire == "library":
            file = load_bench(folder / "bench.yaml")
            library = open_library(file.grammar.library.removesuffix("@sim"), settings=file.simulation_settings())
            yield OnAWire(wire, folder / "bench.yaml", library)
        else:
            server = stack.enter_context(BenchServer(folder / "bench.yaml", hislip=wire == "HiSLIP"))
            server.write_bench(folder / "live.yaml")
            yield OnAWire(wire, folder / "live.yaml", server.library)
