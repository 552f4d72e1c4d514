"""JSON text, and files that are whole or absent."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path


def json_text(plain: dict[str, Any]) -> str:
    """Write a document as JSON.

    Parameters
    ----------
    plain : dict
        From :func:`document` or :func:`check_document`.

    Returns
    -------
    str
        ASCII, ends with a newline. Figures have full precision; NaN and infinity are refused.
    """
    return json.dumps(plain, indent=2, allow_nan=False) + "\n"


def write_files(directory: Path, texts: Mapping[str, str]) -> tuple[Path, ...]:
    """Write several text files so that a reader sees each of them whole or not at all.

    Parameters
    ----------
    directory : pathlib.Path
        Made if need be.
    texts : mapping of str to str
        File name to content; written as UTF-8.

    Returns
    -------
    tuple of pathlib.Path
        The files, in the given order.

    Raises
    ------
    OSError
        If one cannot be written; then nothing has been replaced and no temporary file stays behind.
    """
    directory.mkdir(parents=True, exist_ok=True)
    moves = {directory / f".{name}.{os.getpid()}.tmp": directory / name for name in texts}
    try:
        for temporary, text in zip(moves, texts.values(), strict=True):
            temporary.write_text(text, encoding="utf-8", newline="")
        for temporary, target in moves.items():
            os.replace(temporary, target)  # noqa: PTH105 - the atomic rename, by its own name
    finally:
        for temporary in moves:
            temporary.unlink(missing_ok=True)
    return tuple(moves.values())
