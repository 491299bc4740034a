"""Coverage-guided fuzzing of one parser: ``python tests/trust/fuzz.py NAME SECONDS``.

Needs atheris (the extra `fuzz`). Ends with exit code 0 if nothing but a message for people came
of any input, no input took 25 s, and memory stayed under 2 GB.
"""

import contextlib
import ctypes
import io
import subprocess
import sys
import tempfile
from pathlib import Path


def read_child_here(command: list[str], **_: object) -> subprocess.CompletedProcess[bytes]:
    """Read a workbook in this process: a child's code is out of sight, and takes half a second."""
    from phenology.sheets import read_child

    answer, told = io.TextIOWrapper(io.BytesIO()), io.StringIO()
    code = 1
    with contextlib.redirect_stdout(answer), contextlib.redirect_stderr(told):
        try:
            code = read_child.main(Path(command[-1]))
        except Exception:
            raise
        except BaseException as panic:  # noqa: BLE001 — the library's own, which ends a child
            told.write(repr(panic))
    return subprocess.CompletedProcess(
        command, code, answer.buffer.getvalue(), told.getvalue().encode()
    )


def main(name: str, seconds: str) -> None:
    import atheris

    with atheris.instrument_imports(include=["phenology", "tomllib"]):
        from parsers import attempt, parsers

        from phenology.sheets import read_child, workbook  # noqa: F401
    workbook.subprocess.run = read_child_here
    parser = next(each for each in parsers() if each.name == name)
    with tempfile.TemporaryDirectory() as home:
        corpus, folder = Path(home) / "corpus", Path(home) / "study"
        corpus.mkdir()
        folder.mkdir()
        (corpus / "good").write_bytes(parser.good)
        limits = [f"-max_total_time={seconds}", "-timeout=25", "-rss_limit_mb=2048", "-seed=1"]
        atheris.Setup(
            [sys.argv[0], *limits, f"-artifact_prefix={home}/", str(corpus)],
            lambda content: attempt(parser, content, folder) and None,
        )
        # The fuzzer ends by exit(3); now and then a library's threads wait there for ever.
        libc = ctypes.CDLL(None)
        libc.on_exit(libc._exit, None)
        atheris.Fuzz()


if __name__ == "__main__":
    main(*sys.argv[1:3])
