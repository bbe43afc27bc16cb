"""The bedside page on this machine's own address, and the records it hands over into a drop folder."""

from adapter.forms.serve.app import Followed, Ward, create_app, running, serve
from adapter.forms.serve.filing import Answer, CannotFile, Filing

__all__ = ["Answer", "CannotFile", "Filing", "Followed", "Ward", "create_app", "running", "serve"]
