"""Reading the TOML files people write: every problem at once, each with its key and line.

`opening` opens a file of a format, `document` has its tables and their getters, `values` what may
stand there, `lines` the places of keys in a text; `files` has the text of input files wherever it
comes from, `asked` the keys that loaders ask for.
"""

from controller.documents.asked import Asked, noting_keys
from controller.documents.document import Document, Table
from controller.documents.files import collecting_files, read_text, supplied_files
from controller.documents.opening import read_document

__all__ = [
    "Asked",
    "Document",
    "Table",
    "collecting_files",
    "noting_keys",
    "read_document",
    "read_text",
    "supplied_files",
]
