import django.db.models.deletion
import django.utils.timezone
import simple_history.models
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('flips', '__first__'),
    ]

    operations = [
        migrations.CreateModel(
            name='Material',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=120, verbose_name='name')),
                ('kind', models.CharField(choices=[('sheet', 'Sheet goods'), ('veneer', 'Veneer'), ('lumber', 'Lumber'), ('finish', 'Finish'), ('glue', 'Glue'), ('hardware', 'Hardware'), ('other', 'Other')], max_length=10, verbose_name='what it is')),
                ('shop_name', models.CharField(blank=True, default='', max_length=80, verbose_name='where it is bought')),
                ('length_nm', models.BigIntegerField(blank=True, null=True, verbose_name='length')),
                ('length_text', models.CharField(blank=True, default='', max_length=60)),
                ('width_nm', models.BigIntegerField(blank=True, null=True, verbose_name='width')),
                ('width_text', models.CharField(blank=True, default='', max_length=60)),
                ('thickness_nm', models.BigIntegerField(blank=True, null=True, verbose_name='thickness')),
                ('thickness_text', models.CharField(blank=True, default='', max_length=60)),
                ('volume_text', models.CharField(blank=True, default='', max_length=60, verbose_name='in one can')),
                ('coverage_area_text', models.CharField(blank=True, default='', max_length=60, verbose_name='covers')),
                ('coverage_volume_text', models.CharField(blank=True, default='', max_length=60, verbose_name='from')),
                ('grain', models.CharField(choices=[('length', 'Runs along its length'), ('none', 'Has none')], default='length', max_length=10, verbose_name='grain')),
                ('surfaced', models.BooleanField(default=False, verbose_name='planed: it measures what it says')),
                ('trim_nm', models.BigIntegerField(default=0, verbose_name='cut off each edge')),
                ('trim_text', models.CharField(blank=True, default='', max_length=60)),
                ('priced_by', models.CharField(choices=[('piece', 'each'), ('bf', 'a board foot'), ('length', 'a foot of length'), ('ft2', 'a square foot'), ('m2', 'a square metre'), ('m3', 'a cubic metre')], default='piece', max_length=10, verbose_name='the price buys')),
                ('unit', models.CharField(blank=True, default='', max_length=20, verbose_name='counted in')),
                ('note', models.CharField(blank=True, default='', max_length=200, verbose_name='note')),
                ('retired', models.BooleanField(default=False, verbose_name='no longer bought')),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('created_at', models.DateTimeField(default=django.utils.timezone.now, editable=False)),
            ],
            options={
                'ordering': ['kind', 'name', 'shop_name', 'pk'],
                'constraints': [models.CheckConstraint(condition=models.Q(('kind__in', ['sheet', 'veneer', 'lumber', 'finish', 'glue', 'hardware', 'other'])), name='material_kind_is_known', violation_error_message='That is not one of the choices.'), models.CheckConstraint(condition=models.Q(('priced_by__in', ['piece', 'bf', 'length', 'ft2', 'm2', 'm3'])), name='material_price_unit_is_known', violation_error_message='That is not one of the choices.'), models.CheckConstraint(condition=models.Q(('grain__in', ['length', 'none'])), name='material_grain_is_known'), models.CheckConstraint(condition=models.Q(models.Q(('length_nm__isnull', True), ('length_nm__gt', 0), _connector='OR'), models.Q(('width_nm__isnull', True), ('width_nm__gt', 0), _connector='OR'), models.Q(('thickness_nm__isnull', True), ('thickness_nm__gt', 0), _connector='OR'), ('trim_nm__gte', 0)), name='material_sizes_above_nothing', violation_error_message='A size is more than zero.'), models.CheckConstraint(condition=models.Q(('name', ''), _negated=True), name='material_has_a_name', violation_error_message='Give it a name.')],
            },
        ),
        migrations.CreateModel(
            name='MaterialPrice',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('cents', models.BigIntegerField(verbose_name='price')),
                ('seen_on', models.DateField(default=django.utils.timezone.localdate, verbose_name='seen on')),
                ('source', models.CharField(choices=[('typed', 'Typed in'), ('receipt', 'From a receipt')], default='typed', max_length=10)),
                ('receipt_line', models.BigIntegerField(blank=True, null=True, unique=True)),
                ('note', models.CharField(blank=True, default='', max_length=120)),
                ('noted_at', models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ('material', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='prices', to='estimating.material')),
            ],
            options={
                'ordering': ['-seen_on', '-pk'],
                'indexes': [models.Index(fields=['material', '-seen_on', '-id'], name='estimating__materia_3503ce_idx')],
                'constraints': [models.CheckConstraint(condition=models.Q(('cents__gt', 0)), name='material_price_above_nothing', violation_error_message='A price is more than zero.'), models.CheckConstraint(condition=models.Q(('source__in', ['typed', 'receipt'])), name='material_price_source_is_known')],
            },
        ),
        migrations.CreateModel(
            name='HistoricalMaterial',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('name', models.CharField(max_length=120, verbose_name='name')),
                ('kind', models.CharField(choices=[('sheet', 'Sheet goods'), ('veneer', 'Veneer'), ('lumber', 'Lumber'), ('finish', 'Finish'), ('glue', 'Glue'), ('hardware', 'Hardware'), ('other', 'Other')], max_length=10, verbose_name='what it is')),
                ('shop_name', models.CharField(blank=True, default='', max_length=80, verbose_name='where it is bought')),
                ('length_nm', models.BigIntegerField(blank=True, null=True, verbose_name='length')),
                ('length_text', models.CharField(blank=True, default='', max_length=60)),
                ('width_nm', models.BigIntegerField(blank=True, null=True, verbose_name='width')),
                ('width_text', models.CharField(blank=True, default='', max_length=60)),
                ('thickness_nm', models.BigIntegerField(blank=True, null=True, verbose_name='thickness')),
                ('thickness_text', models.CharField(blank=True, default='', max_length=60)),
                ('volume_text', models.CharField(blank=True, default='', max_length=60, verbose_name='in one can')),
                ('coverage_area_text', models.CharField(blank=True, default='', max_length=60, verbose_name='covers')),
                ('coverage_volume_text', models.CharField(blank=True, default='', max_length=60, verbose_name='from')),
                ('grain', models.CharField(choices=[('length', 'Runs along its length'), ('none', 'Has none')], default='length', max_length=10, verbose_name='grain')),
                ('surfaced', models.BooleanField(default=False, verbose_name='planed: it measures what it says')),
                ('trim_nm', models.BigIntegerField(default=0, verbose_name='cut off each edge')),
                ('trim_text', models.CharField(blank=True, default='', max_length=60)),
                ('priced_by', models.CharField(choices=[('piece', 'each'), ('bf', 'a board foot'), ('length', 'a foot of length'), ('ft2', 'a square foot'), ('m2', 'a square metre'), ('m3', 'a cubic metre')], default='piece', max_length=10, verbose_name='the price buys')),
                ('unit', models.CharField(blank=True, default='', max_length=20, verbose_name='counted in')),
                ('note', models.CharField(blank=True, default='', max_length=200, verbose_name='note')),
                ('retired', models.BooleanField(default=False, verbose_name='no longer bought')),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('created_at', models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
                ('history_user', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name': 'historical material',
                'verbose_name_plural': 'historical materials',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
    ]
