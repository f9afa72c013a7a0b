#pragma codeseg BANK1
volatile unsigned char shown;

void show(void)
{
	shown++;
	if (shown == 10)
		shown = 0;
}
