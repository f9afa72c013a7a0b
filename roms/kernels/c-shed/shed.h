#ifndef SHED_H
#define SHED_H

#include <stdint.h>

typedef uint8_t  u8;
typedef uint16_t u16;

/* tty.c */
void tty_open(void);
void tty_put(char c);
char tty_get(void);
u8   tty_line(char *line, u8 size);
void print(const char *s);
void print_hex(u8 v);
void print_num(u16 v);

/* cf.c: 0 good, else an error that cf_error() has words for */
u8   cf_open(void);
u8   cf_read(u16 number, u8 *to);
const char *cf_error(u8 error);

#endif
