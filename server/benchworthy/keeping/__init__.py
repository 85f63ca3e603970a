"""What keeps the record: backups and their return, and the audit of the ledger with its signed daily lists."""
