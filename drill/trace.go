package drill

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"turnstone/adapters/discord/double"
)

// trace writes the receipts of people to whom something happened that must
// not, a file each beside the logs, with the beginnings of sessions.
func (d *drill) trace(receipts []double.Receipt, people map[string]bool) error {
	var errs []error
	for who := range people {
		var out strings.Builder
		for _, r := range receipts {
			if r.Who == who || r.Saw == double.Began {
				p := d.plans[r.ID]
				fmt.Fprintf(&out, "%8.3f %v turn %d %s %q\n", r.At.Sub(d.began).Seconds(), r.Saw, p.turn, r.ID, r.Message.Content)
			}
		}
		errs = append(errs, os.WriteFile(filepath.Join(d.Folder, "person-"+who+".txt"), []byte(out.String()), 0o600))
	}
	return errors.Join(errs...)
}
