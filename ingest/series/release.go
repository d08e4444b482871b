package series

import (
	"errors"
	"fmt"
	"reflect"
	"syscall"

	"github.com/nakabonne/tstorage"
)

// release gives back what tstorage v0.3.6 would hold until the process ends:
// the files it mapped, which it never unmaps, and the goroutine that looks for
// expired partitions, which only Close ends. Close is no way out after reading:
// it writes an empty partition into the folder. So the two are reached by
// reflection; TestRelease and TestTstorageCloseWrites show whether that still
// holds.
//
// closed says that Close was called. The storage must not be used afterwards,
// and nobody else may be using it.
func release(st tstorage.Storage, closed bool) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("series: tstorage is not as expected, its files stay mapped: %v", p)
		}
	}()
	s := reflect.ValueOf(st).Elem()
	if !closed {
		close(*(*chan struct{})(s.FieldByName("doneCh").Addr().UnsafePointer()))
	}
	for node := s.FieldByName("partitionList").Elem().Elem().FieldByName("head"); !node.IsNil(); node = node.Elem().FieldByName("next") {
		mapped := node.Elem().FieldByName("val").Elem().Elem().FieldByName("mappedFile")
		if mapped.IsValid() { // a partition on the disk
			err = errors.Join(err, syscall.Munmap(mapped.Bytes()))
		}
	}
	return err
}
