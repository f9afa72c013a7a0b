#ifndef UART_H
#define UART_H

#include <stdint.h>

void uart_init(uint16_t divisor);
void uart_char(char c);
void uart_text(const char *s);
void uart_dec(uint32_t value);

#endif
