/* A tide gauge in C: one function in common code, one in a bank. */
static unsigned char level;
volatile unsigned int count = 3;
__sfr __at 0x20 console;

extern void show(void);

static unsigned char read_level(void)
{
	while (!(console & 1))
		;
	return console;
}

void main(void)
{
	for (;;) {
		level = read_level();
		count += level;
		show();
	}
}
