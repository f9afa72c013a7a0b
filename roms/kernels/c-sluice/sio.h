/* sio.h - interrupt driven console on channel A of the SIO */
#ifndef SIO_H
#define SIO_H
#include <stdint.h>

void sio_init(void);
void putch(char c);
char getch(void);
void puts_(const char *s);
void putdec(uint16_t n, uint8_t width);
extern volatile uint8_t rx_lost;
#endif
