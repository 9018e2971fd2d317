"""The wire protocol between host and ladder: bytes, session, device; standard library only."""
