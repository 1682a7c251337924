package main

import (
	"fmt"
	"io"
	"os"
	"testing"
	"time"
)

func BenchmarkZ(b *testing.B) {
	s := time.Now()
	c := newBenchClinic(b, 100000)
	fmt.Println(time.Since(s))
	f, _ := os.Open(c.file)
	g, _ := os.Create("/tmp/h/speed-100k.sqlite")
	n, _ := io.Copy(g, f)
	g.Close()
	fmt.Println(n>>20, "MB")
}
