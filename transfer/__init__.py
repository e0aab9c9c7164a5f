"""Does practice shooting show up in games? See ``README.md`` for the job in one paragraph.

The public names stand in ``__init__.pyi``, for type checkers and for the loader alike. They load
when they are first used, so that a reader of record files never loads a sampler.
"""

from __future__ import annotations

import sys

# pip refuses older ones itself; a checkout that is only put on the path is imported by any.
if sys.version_info < (3, 12):  # noqa: UP036
    found = ".".join(map(str, sys.version_info[:3]))
    raise ImportError(f"transfer needs Python 3.12 or newer; this is Python {found}")

import lazy_loader

_public_name, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)


def __getattr__(name: str) -> object:
    """Load a public name from its module at first use; the version is that of the installation."""
    if name == "__version__":
        from importlib.metadata import version

        return version("practice-transfer")
    value: object = _public_name(name)
    return value
