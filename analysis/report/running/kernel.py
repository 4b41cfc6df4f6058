"""A kernel that runs notebooks with the interpreter in use, whatever kernels are installed and wherever HOME is."""

import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from nbclient.exceptions import DeadKernelError
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import NBClientEngine, papermill_engines

from analysis.errors import ReportError
from analysis.writing.owners import temporary_folder

ENGINE = "kneecurve"
#: Addresses of local sockets are at most 107 bytes; some are left for what jupyter_client adds.
_LONGEST_ADDRESS = 90


class _ThisInterpreter(KernelSpecManager):
    """Answer every question for a kernel with the interpreter in use."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:  # noqa: ARG002
        without_history = "--HistoryManager.enabled=False"
        command = [sys.executable, "-m", "ipykernel_launcher", without_history, "-f", "{connection_file}"]
        return KernelSpec(argv=command, display_name="This Python", language="python")


class _Engine(NBClientEngine):  # type: ignore[misc]
    """Papermill's own engine, with a kernel of ours and a word after each cell."""

    @classmethod
    def execute_managed_notebook(
        cls,
        nb_man: Any,
        kernel_name: str,
        *,
        working_folder: Path,
        told: Any,
        environment: Mapping[str, str],
        start_timeout: int = 60,
        **_: Any,
    ) -> Any:
        """Run the notebook; ``told`` is called with the number of cells done and their total.

        ``environment`` has further variables of the kernel.
        """
        total = len(nb_man.nb.cells)
        told(0, total)

        def count(cell: Any, cell_index: int) -> None:  # noqa: ARG001
            told(cell_index + 1, total)

        # What the kernel leaves behind is gone afterwards.
        with temporary_folder() as folder:
            manager = AsyncKernelManager(
                kernel_name=kernel_name,
                kernel_spec_manager=_ThisInterpreter(),
                connection_file=str(folder / "kernel.json"),
                **_transport(folder),
            )
            client = PapermillNotebookClient(
                nb_man,
                km=manager,
                kernel_name=kernel_name,
                startup_timeout=start_timeout,
                timeout=None,
                record_timing=False,
                on_cell_complete=count,
            )
            log = folder / "kernel.log"
            with log.open("w") as stream:
                try:
                    return client.execute(
                        env={**_environment(folder), **environment},
                        cwd=str(working_folder),
                        cleanup_kc=True,
                        stdout=stream,
                        stderr=stream,
                    )
                except (DeadKernelError, RuntimeError) as error:
                    lines = log.read_text(errors="replace").strip().splitlines()
                    raise ReportError(
                        "The Python process that runs the notebook stopped.",
                        where=lines[-1] if lines else str(error),
                        what_to_do="Check the memory that is free, and that the installation is complete (pip check).",
                    ) from error


papermill_engines.register(ENGINE, _Engine)


def _transport(folder: Path) -> dict[str, Any]:
    """Speak to the kernel through files that only this user can open, where the system has them."""
    address = folder / "kernel"
    if os.name == "nt" or len(str(address)) > _LONGEST_ADDRESS:
        return {}
    return {"transport": "ipc", "ip": str(address)}


def _environment(folder: Path) -> dict[str, str]:
    """Return the environment of the kernel: nothing is read from, or written to, the user's own set-up of IPython."""
    more = {
        "IPYTHONDIR": str(folder / "ipython"),
        "JUPYTER_RUNTIME_DIR": str(folder / "runtime"),
        "MPLBACKEND": "module://matplotlib_inline.backend_inline",
        "PYTHONHASHSEED": "0",
    }
    if "MPLCONFIGDIR" not in os.environ and not os.access(Path.home(), os.W_OK):
        more["MPLCONFIGDIR"] = str(folder / "matplotlib")
    return {**os.environ, **more}
