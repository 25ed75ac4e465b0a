"""What the PDF engine may read: files of the templates' folder and data-URIs, nothing else.

Study data are untrusted and end up in HTML and SVG. The engine follows references on its own, also inside
pictures, where it even hides its failures. So whatever is refused is recorded here, and the caller fails
afterwards if anything was.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import unquote, urlsplit

from weasyprint.urls import URLFetcher

if TYPE_CHECKING:
    from weasyprint.urls import URLFetcherResponse


class ConfinedFetcher(URLFetcher):  # type: ignore[misc]
    """Serves ``data:`` and files whose real path is inside *folder*; ``refused`` lists all else."""

    def __init__(self, folder: Path) -> None:
        super().__init__(allowed_protocols=("file", "data"), allow_redirects=False, fail_on_errors=True)
        self._folder = folder.resolve()
        self.refused: list[str] = []

    def fetch(self, url: str, headers: dict[str, str] | None = None) -> URLFetcherResponse:
        """The content behind *url*.

        Raises:
            ValueError: *url* is none of those that may be read; it is recorded as well.
        """
        if not self._may_be_read(url):
            self.refused.append(url[:200])
            raise ValueError(f"not read: {url[:200]}")
        return super().fetch(url, headers)

    def _may_be_read(self, url: str) -> bool:
        if url.startswith("data:"):
            return True
        parts = urlsplit(url)
        if parts.scheme != "file" or parts.netloc not in ("", "localhost"):
            return False
        place = Path(unquote(parts.path)).resolve()
        return place.is_file() and place.is_relative_to(self._folder)
