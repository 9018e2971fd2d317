// A relay ladder board, complete. Before it is connected to anything: relay supply off, ladder free,
// and read the library's README.md on wiring, care and boot loaders.
//
// How many relays there are, how they are wired and what is read back: src/rung_choices.h.
#include <RungwiseBoard.h>

void setup() {
  rungwise_start();
}

void loop() {
  rungwise_turn();
}
