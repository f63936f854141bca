package servers

import (
	"os/exec"
	"syscall"
)

// endWithTest ends the process when the test ends without having ended it.
func endWithTest(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} }
