"""What a page is allowed: nothing from anywhere, and only the scripts and styles in it, named by their hash."""

from __future__ import annotations

import base64
import hashlib
import re

PLACE = "{{policy}}"  # in a page, until the hashes of what is in it are known
_SCRIPTS = re.compile(r"<script>(.*?)</script>", re.DOTALL)  # data have a type, and do not run
_STYLES = re.compile(r"<style>(.*?)</style>", re.DOTALL)


def with_policy(page: str) -> str:
    """The page with its policy (W3C, Content Security Policy Level 3, 2.3.1: sources by hash †)."""
    return page.replace(PLACE, policy_of(page), 1)


def policy_of(page: str) -> str:
    """The sources of what is in a page, as a policy names them."""
    scripts, styles = (" ".join(map(_source, found.findall(page))) or "'none'" for found in (_SCRIPTS, _STYLES))
    pictures = "; img-src data:" if '<img src="data:image/' in page else ""
    return f"script-src {scripts}; style-src {styles}{pictures}"


def _source(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"
