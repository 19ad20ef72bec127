"""Starts the pages on this computer only: `main(ledger_url, folder, port)`."""

from __future__ import annotations

import logging
import os
from pathlib import Path

import streamlit as st
import uvicorn

from ui.routes import ROUTES

__all__ = ["app", "main"]

PAGES = Path(__file__).with_name("main.py")
app = st.App(PAGES, routes=ROUTES)


def main(ledger_url: str, folder: str | Path, port: int = 8501) -> None:
    """Serve the pages on 127.0.0.1 until interrupted.

    Parameters
    ----------
    ledger_url : str
        Of the ledger to show.
    folder : str or Path
        Practice folder whose photographs the ledger names.
    port : int
        On the loopback address; no other address is listened on.
    """
    os.environ["RESTORATION_AUDIT_LEDGER"] = ledger_url
    os.environ["RESTORATION_AUDIT_FOLDER"] = str(folder)
    # Streamlit reads its settings from the environment too; these hold whatever directory the program was started in
    os.environ.setdefault("STREAMLIT_BROWSER_GATHER_USAGE_STATS", "false")
    for name in ("uvicorn", "uvicorn.error", "uvicorn.access"):  # Streamlit gives these loggers handlers of its own: filter at the source
        logging.getLogger(name).addFilter(lambda record: record.levelno >= logging.WARNING)
    uvicorn.run(app, host="127.0.0.1", port=port, ws="websockets-sansio", log_level="warning", access_log=False)
