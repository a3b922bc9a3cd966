"""The guides: Markdown files, and what finds and checks them."""
