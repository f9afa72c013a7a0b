/* hw.h - ports of the game board */

typedef unsigned char uc;
typedef unsigned int ui;

/* The SIO card puts both data registers first. Only channel A has a plug. */
__sfr __at 0x3C SIOAD;
__sfr __at 0x3E SIOAC;

__sfr __at 0x4C CTC0;
__sfr __at 0x4D CTC1;

void hwinit(void);
void out(char c);
void say(const char *s);
void num(uc n);
char key(void);             /* 0: none */
void fromnow(void);         /* forget the frames that have gone */
void frames(uc n);          /* wait until n frames have gone since the last call */
