"""Coverage-guided fuzzing of one parser: ``python tests/trust/fuzz.py NAME SECONDS``.

Needs atheris (the extra `fuzz`). Ends with exit code 0 if nothing but a message for people came
of any input, no input took 25 s, and memory stayed under 2 GB.
"""

import sys
import tempfile
from pathlib import Path


def main(name: str, seconds: str) -> None:
    import atheris

    with atheris.instrument_imports(include=["phenology", "tomllib"]):
        from parsers import attempt, parsers
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
        atheris.Fuzz()


if __name__ == "__main__":
    main(*sys.argv[1:3])
