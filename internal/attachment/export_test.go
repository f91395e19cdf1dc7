package attachment

import "os"

// WithSync puts sync in place of (*os.File).Sync.
func (o Options) WithSync(sync func(*os.File) error) Options {
	o.sync = sync
	return o
}
