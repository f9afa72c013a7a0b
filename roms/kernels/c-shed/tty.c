/* tty.c: 16550 UART. What comes in arrives by interrupt, what goes out is polled. */
#include "shed.h"

__sfr __at 0xB8 UDATA;
__sfr __at 0xB9 UIER;
__sfr __at 0xBA UIIR;           /* FIFO control when written */
__sfr __at 0xBB ULCR;
__sfr __at 0xBC UMCR;
__sfr __at 0xBD ULSR;

#define DIVISOR 12              /* 1.8432 MHz / 16 / 12 = 9600 */
#define RING    32
#define BS      8
#define CTRL(c) ((c) & 0x1F)

static volatile u8 head, tail;
static u8 ring[RING];
static char last[40] = "help";  /* ctrl-P brings it back */

void tty_open(void)
{
    UIER = 0;
    ULCR = 0x83;
    UDATA = DIVISOR;
    UIER = 0;
    ULCR = 0x03;
    UIIR = 0x07;                /* FIFO on, both cleared, one character interrupts */
    UMCR = 0x0B;                /* DTR, RTS, OUT2: the gate of the interrupt */
    UIER = 0x01;
}

/* called by int38 with interrupts off */
void uart_rx(void)
{
    u8 c, next;

    while (ULSR & 0x01) {
        c = UDATA;
        next = (head + 1) % RING;
        if (next != tail) {     /* else nobody reads: it is lost */
            ring[head] = c;
            head = next;
        }
    }
}

char tty_get(void)
{
    char c;

    for (;;) {
        __asm__("di");
        if (head != tail)
            break;
        __asm__("ei");          /* takes effect behind the halt's fetch: nothing is missed */
        __asm__("halt");
    }
    c = ring[tail];
    tail = (tail + 1) % RING;
    __asm__("ei");
    return c;
}

void tty_put(char c)
{
    while (!(ULSR & 0x20))
        ;
    UDATA = c;
}

void print(const char *s)
{
    char c;

    while ((c = *s++) != 0) {
        if (c == '\n')
            tty_put('\r');
        tty_put(c);
    }
}

void print_hex(u8 v)
{
    u8 n = v >> 4;

    tty_put(n + (n < 10 ? '0' : 'A' - 10));
    n = v & 15;
    tty_put(n + (n < 10 ? '0' : 'A' - 10));
}

void print_num(u16 v)
{
    if (v >= 10)
        print_num(v / 10);
    tty_put('0' + v % 10);
}

static void rub(u8 n)
{
    while (n--)
        print("\b \b");
}

/* Edit a line: backspace, ctrl-U forgets it, ctrl-P brings the last one back. */
u8 tty_line(char *line, u8 size)
{
    u8 n = 0, i;
    char c;

    for (;;) {
        c = tty_get();
        switch (c) {
        case '\r':
            line[n] = 0;
            for (i = 0; i <= n; i++)
                last[i] = line[i];
            print("\n");
            return n;
        case BS:
        case 0x7F:
            if (n) {
                n--;
                rub(1);
            }
            break;
        case CTRL('U'):
            rub(n);
            n = 0;
            break;
        case CTRL('P'):
            rub(n);
            for (n = 0; last[n]; n++)
                line[n] = last[n];
            line[n] = 0;
            print(line);
            break;
        default:
            if (c >= ' ' && n < size - 1) {
                line[n++] = c;
                tty_put(c);
            }
        }
    }
}
