"""The read-only web page of the sandbox: newborns, their exams, their findings, as the server holds them."""

from adapter.sandbox.page.routes import page_routes

__all__ = ["page_routes"]
