//go:build portaudio && cgo && linux

package mic_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"ringstock/capture/mic"
	"ringstock/capture/mic/virtual"
)

// shim comes before ALSA's library: it notes each opening of a device and, from the one
// numbered SHIM_AFTER on, refuses with SHIM_ERRNO, as a system does whose device is in
// use, forbidden or gone.
const shim = `#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <unistd.h>

int snd_pcm_open(void **pcm, const char *name, int stream, int mode) {
	static int opened;
	int log = open(getenv("SHIM_LOG"), O_WRONLY | O_CREAT | O_APPEND, 0600);
	if (log < 0 || write(log, ".", 1) != 1 || close(log) != 0)
		abort();
	if (opened++ >= atoi(getenv("SHIM_AFTER")))
		return -atoi(getenv("SHIM_ERRNO"));
	int (*real)(void **, const char *, int, int) = (int (*)(void **, const char *, int, int))dlsym(RTLD_NEXT, "snd_pcm_open");
	return real(pcm, name, stream, mode);
}
`

// A microphone that is listed but can't be opened: the words are ours,
// whatever the reason.
func TestRefusedByTheSystem(t *testing.T) {
	if os.Getenv("SHIM_LOG") != "" { // this test again, under the shim
		_, err := mic.RedirectStderr()
		if err != nil {
			t.Fatal(err)
		}
		if os.Getenv("SHIM_LIST") != "" {
			_, err = mic.Devices()
		} else if m, e := mic.Open(mic.Options{RateHz: virtual.Rate}); e != nil {
			err = e
		} else {
			err = m.Close()
		}
		fmt.Println("came of it:", err)
		return
	}
	virtual.Start(t)
	dir := t.TempDir()
	source, library := filepath.Join(dir, "shim.c"), filepath.Join(dir, "shim.so")
	if err := os.WriteFile(source, []byte(shim), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("gcc", "-shared", "-fPIC", "-o", library, source, "-ldl").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	run := func(after int, errno syscall.Errno, more ...string) (said string, opened int) {
		t.Helper()
		log := filepath.Join(t.TempDir(), "log")
		cmd := exec.Command(self, "-test.run=^TestRefusedByTheSystem$")
		cmd.Env = append(os.Environ(), append(more, "LD_PRELOAD="+library, "SHIM_LOG="+log, fmt.Sprintf("SHIM_AFTER=%d", after), fmt.Sprintf("SHIM_ERRNO=%d", int(errno)))...)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		dots, err := os.ReadFile(log)
		if err != nil {
			t.Fatal(err)
		}
		_, said, _ = strings.Cut(string(out), "came of it: ")
		said, _, _ = strings.Cut(said, "\n")
		return said, len(dots)
	}
	said, listing := run(1<<20, 0, "SHIM_LIST=1")
	if said != "<nil>" {
		t.Fatal(said)
	}
	if said, opened := run(1<<20, 0); said != "<nil>" || opened <= listing {
		t.Fatalf("%s; %d openings to list, %d to listen", said, listing, opened)
	}
	for _, errno := range []syscall.Errno{syscall.EBUSY, syscall.EACCES, syscall.ENODEV} {
		if said, _ := run(listing, errno); !strings.Contains(said, "another program uses it, it was unplugged, or it is not permitted; close other programs that record") {
			t.Errorf("%v: %s", errno, said)
		}
	}
}
