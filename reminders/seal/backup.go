package seal

// BackupKey is the key under which backups are sealed. It hangs on the master key and
// is of no use for anything else.
func BackupKey(master []byte) ([]byte, error) { return derive(master, "backup") }
