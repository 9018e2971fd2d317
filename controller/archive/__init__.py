"""Many records: gathered, asked, judged again."""
