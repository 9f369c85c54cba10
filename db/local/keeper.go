//go:build unix

package local

import (
	"fmt"
	"io"
	"os/exec"
	"syscall"
)

// keeper is a shell that reads process ids from a pipe. When this process ends,
// even by SIGKILL, the pipe closes: the shell stops the last process it was told
// of, waits for it and removes the folder that nobody else would remove.
type keeper struct {
	cmd  *exec.Cmd
	pipe io.WriteCloser
}

const keeperScript = `pid=
while read -r line; do pid=$line; done
if [ -n "$pid" ]; then
  kill -QUIT "$pid" 2>/dev/null
  i=0
  while kill -0 "$pid" 2>/dev/null; do
    i=$((i+1))
    if [ $i -gt 200 ]; then kill -KILL "$pid" 2>/dev/null; break; fi
    sleep 0.05
  done
fi
rm -rf -- "$1"`

// keep watches over the folder dir.
func keep(dir string) (*keeper, error) {
	cmd := exec.Command("/bin/sh", "-c", keeperScript, "keeper", dir)
	cmd.Dir, cmd.Env = "/", []string{"PATH=/usr/bin:/bin"}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // out of reach of the terminal's Ctrl-C
	pipe, err := cmd.StdinPipe()
	if err != nil {
		return nil, fmt.Errorf("a pipe to the keeper of Postgres: %w", err)
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("starting the keeper of Postgres: %w", err)
	}
	return &keeper{cmd: cmd, pipe: pipe}, nil
}

// watch names the process to stop; the last one named counts.
func (k *keeper) watch(pid int) error {
	if _, err := fmt.Fprintln(k.pipe, pid); err != nil {
		return fmt.Errorf("telling the keeper of Postgres: %w", err)
	}
	return nil
}

// dismiss ends the keeper without its doing anything. It is called once the
// server is gone, so that a process that later gets the same id is left alone.
func (k *keeper) dismiss() {
	_ = k.cmd.Process.Kill() // it may have ended by itself
	_ = k.cmd.Wait()         // says only that it was killed
	_ = k.pipe.Close()       // Wait may have closed it
}
