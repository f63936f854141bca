//go:build !race

package walk_test

const raceOn = false
