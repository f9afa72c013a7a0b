/* Prints through a polled 6850-type chip; its CTS decides whether that ever sends. */
__sfr __at 0x30 acia_control;
__sfr __at 0x31 acia_data;

void vector0(void) __critical __interrupt(0) { }
void vector1(void) __critical __interrupt(1) { }
void vector2(void) __critical __interrupt(2) { }
void vector3(void) __critical __interrupt(3) { }
void mode1_handler(void) __critical __interrupt(4) { }

static unsigned char status(void) { return acia_control; }
static unsigned char may_send(void) { return (status() & 2) != 0; }
static void put(char c) { while (!may_send()) { } acia_data = c; }

void main(void) {
    const char *s = "\r\nhello> ";
    acia_control = 3;
    acia_control = 0x15;
    while (*s) put(*s++);
    for (;;) {
        while (!(status() & 1)) { }
        put(acia_data);
    }
}
