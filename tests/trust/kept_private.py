"""What nothing shared may tell, invented, and the search for it in any file."""

import io
import re
import zipfile
from pathlib import Path

import pandas as pd
import xarray as xr

BANDER, REMARK = "Zebedee Quillfeather", "the key hangs behind the shed"
LATITUDE, LONGITUDE = "33.21874", "109.14126"
SECRETS = (BANDER, BANDER.split()[1], REMARK, LATITUDE, LONGITUDE)


def texts(path: Path) -> list[str]:
    """All that can be read in a file, unpacked and in its own types."""
    content = path.read_bytes()
    found = [content.decode("latin-1"), content.decode("utf-16-le", "ignore")]
    if zipfile.is_zipfile(io.BytesIO(content)):
        with zipfile.ZipFile(path) as archive:
            found += [archive.read(name).decode("latin-1") for name in archive.namelist()]
    if path.suffix == ".parquet":
        found.append(pd.read_parquet(path).to_csv())
    if path.suffix == ".nc":
        import h5netcdf

        with h5netcdf.File(path) as file:
            groups = ["/", *file.groups]
        for group in groups:
            with xr.open_dataset(path, engine="h5netcdf", group=group) as data:
                found.append(repr(data.attrs))
                for variable in data.variables.values():
                    values = " ".join(map(str, variable.values.ravel()[:20_000]))
                    found.append(repr(variable.attrs) + values)
    return found


def tells(path: Path, secrets: tuple[str, ...]) -> list[str]:
    """Secrets that a file tells; a coordinate also when it is written with fewer digits."""
    told = []
    for secret in secrets:
        shorter = secret[:-1] if re.fullmatch(r"\d+\.\d+", secret) else secret
        if any(shorter in text for text in texts(path)):
            told.append(secret)
    return told
